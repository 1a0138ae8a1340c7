// What adapters/link.h promises, checked on any pair of links to one broker. The caller knows how to let time
// pass and how to break the connection of the second link and bring it back.
#pragma once

#include <functional>

#include "adapters/link.h"
#include "tests/support/catch.h"
#include "tests/support/recording_listener.h"

namespace ampmarshal::tests {

struct LinkPair {
    adapters::Link& sender;
    adapters::Link& receiver;
    /// Lets time pass until the condition holds; false when it never does.
    std::function<bool(const std::function<bool()>&)> wait_for;
    std::function<void()> lose_receiver;
    std::function<void()> restore_receiver;
};

inline void check_link_contract(const LinkPair& pair) {
    using adapters::Delivery;
    RecordingListener listener;
    pair.receiver.listen(&listener);
    pair.receiver.subscribe("contract/#");
    REQUIRE(pair.wait_for([&] { return pair.sender.connected() && listener.ups.size() == 1; }));
    CHECK(pair.receiver.connected());

    for (const Delivery delivery : {Delivery::command, Delivery::event, Delivery::state}) {
        REQUIRE(pair.sender.publish({"contract/live", "live", delivery, std::chrono::seconds(30)}));
    }
    REQUIRE(pair.wait_for([&] { return listener.count("live") == 3; }));
    for (const auto& message : listener.heard) {
        CHECK(message.topic == "contract/live");
        CHECK_FALSE(message.retained);
    }

    pair.lose_receiver();
    REQUIRE(pair.wait_for([&] { return listener.downs.size() == 1; }));
    CHECK_FALSE(listener.downs.front().empty());
    CHECK_FALSE(pair.receiver.connected());
    CHECK_FALSE(pair.receiver.publish({"contract/never", "never", Delivery::event}));
    CHECK_FALSE(pair.receiver.publish({"contract/never", "never", Delivery::state}));

    pair.restore_receiver();
    REQUIRE(pair.wait_for([&] { return pair.sender.connected() && listener.ups.size() == 2; }));
    REQUIRE(pair.sender.publish({"contract/live", "again", Delivery::command}));
    REQUIRE(pair.wait_for([&] { return listener.count("again") == 1; }));
    CHECK(listener.count("never") == 0);

    REQUIRE(pair.sender.publish({"contract/kept", "kept", Delivery::state}));
    REQUIRE(pair.wait_for([&] { return listener.count("kept") == 1; }));
    RecordingListener late;
    pair.receiver.listen(&late);
    pair.receiver.subscribe("+/kept");
    REQUIRE(pair.wait_for([&] { return late.count("kept") == 1; }));
    CHECK(late.heard.front().retained);
    pair.receiver.listen(nullptr);
}

}  // namespace ampmarshal::tests
