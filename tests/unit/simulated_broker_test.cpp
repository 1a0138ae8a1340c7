#include "tests/support/simulated_broker.h"

#include <mosquitto.h>

#include <string>
#include <vector>

#include "tests/support/catch.h"
#include "tests/support/link_contract.h"
#include "tests/support/recording_listener.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using adapters::Delivery;
using rules::Instant;
using tests::RecordingListener;
using tests::SimulatedBroker;
using tests::topic_matches;

namespace {

constexpr Instant at(rules::Duration since_start) {
    return Instant(since_start);
}

/// Two clients that are up at 10 ms; `ear` listens to everything.
struct Pair {
    Pair() {
        ear->listen(&heard);
        ear->subscribe("#");
        broker.run_until(at(10ms));
    }

    SimulatedBroker broker{10ms};
    RecordingListener heard;
    std::unique_ptr<SimulatedBroker::Client> mouth = broker.client("mouth");
    std::unique_ptr<SimulatedBroker::Client> ear = broker.client("ear", adapters::Will{"ear/state", "lost"});
};

/// Every text of one to four of these levels.
std::vector<std::string> all_of_levels(const std::vector<std::string>& levels) {
    std::vector<std::string> all = levels, longest = levels;
    for (int more = 0; more < 3; ++more) {
        std::vector<std::string> longer;
        for (const std::string& start : longest) {
            for (const std::string& level : levels)
                longer.push_back(std::string(start).append("/").append(level));
        }
        all.insert(all.end(), longer.begin(), longer.end());
        longest = std::move(longer);
    }
    return all;
}

}  // namespace

// The examples of MQTT Version 5.0 (OASIS Standard, 7 March 2019), sections 4.7.1.2, 4.7.1.3 and 4.7.2.
TEST_CASE("topic filters match as the standard's examples say") {
    for (const char* topic :
         {"sport/tennis/player1", "sport/tennis/player1/ranking", "sport/tennis/player1/score/wimbledon"}) {
        CHECK(topic_matches("sport/tennis/player1/#", topic));
    }
    CHECK(topic_matches("sport/#", "sport"));
    CHECK(topic_matches("sport/tennis/+", "sport/tennis/player1"));
    CHECK(topic_matches("sport/tennis/+", "sport/tennis/player2"));
    CHECK_FALSE(topic_matches("sport/tennis/+", "sport/tennis/player1/ranking"));
    CHECK_FALSE(topic_matches("sport/+", "sport"));
    CHECK(topic_matches("sport/+", "sport/"));
    CHECK(topic_matches("+/+", "/finance"));
    CHECK(topic_matches("/+", "/finance"));
    CHECK_FALSE(topic_matches("+", "/finance"));
    CHECK_FALSE(topic_matches("#", "$SYS/monitor/Clients"));
    CHECK_FALSE(topic_matches("+/monitor/Clients", "$SYS/monitor/Clients"));
    CHECK(topic_matches("$SYS/#", "$SYS/monitor/Clients"));
    CHECK(topic_matches("$SYS/monitor/+", "$SYS/monitor/Clients"));
}

TEST_CASE("every filter and topic of up to four levels match as libmosquitto says") {
    const auto filters = all_of_levels({"a", "b", "", "$s", "+", "#"});
    const auto topics = all_of_levels({"a", "b", "", "$s"});
    for (const std::string& filter : filters) {
        if (mosquitto_sub_topic_check(filter.c_str()) != MOSQ_ERR_SUCCESS) continue;
        for (const std::string& topic : topics) {
            bool expected = false;
            // The library finds an empty filter or topic invalid, and so does the standard.
            if (mosquitto_topic_matches_sub(filter.c_str(), topic.c_str(), &expected) != MOSQ_ERR_SUCCESS)
                continue;
            if (topic_matches(filter, topic) != expected) FAIL(filter << " against " << topic);
        }
    }
}

TEST_CASE("the simulated broker keeps the contract of a link") {
    SimulatedBroker broker(10ms);
    const auto sender = broker.client("sender");
    const auto receiver = broker.client("receiver");
    tests::check_link_contract({*sender, *receiver,
                                [&](const std::function<bool()>& condition) {
                                    broker.run_until(broker.now() + 1s);
                                    return condition();
                                },
                                [&] { broker.stop("the broker was stopped"); }, [&] { broker.start(); }});
}

TEST_CASE("messages arrive one latency after they were published, in the order of publication") {
    Pair pair;
    pair.broker.run_until(at(1s));
    CHECK(pair.mouth->publish({"b", "first", Delivery::command}));
    CHECK(pair.mouth->publish({"a", "second", Delivery::event}));
    CHECK(pair.broker.next_due() == at(1010ms));
    pair.broker.run_until(at(1009ms));
    CHECK(pair.heard.heard.empty());
    pair.broker.run_until(at(5s));
    REQUIRE(pair.heard.heard.size() == 2);
    CHECK(pair.heard.heard[0].payload == "first");
    CHECK(pair.heard.heard[1].payload == "second");
    CHECK(pair.heard.heard[1].at == at(1010ms));
    CHECK(pair.broker.now() == at(5s));
    CHECK_FALSE(pair.broker.next_due());
}

TEST_CASE("overlapping subscriptions bring a live message once") {
    Pair pair;
    pair.ear->subscribe("load/+");
    pair.ear->subscribe("load/+");
    CHECK(pair.mouth->publish({"load/x", "live", Delivery::command}));
    pair.broker.run_until(at(1s));
    CHECK(pair.heard.count("live") == 1);
}

TEST_CASE("a retained message is kept until an empty one replaces it") {
    Pair pair;
    CHECK(pair.mouth->publish({"load/state", "running", Delivery::state}));
    CHECK(pair.mouth->publish({"load/event", "stall", Delivery::event}));
    CHECK(pair.broker.retained("load/state") == "running");
    CHECK_FALSE(pair.broker.retained("load/event"));
    CHECK(pair.mouth->publish({"load/state", "", Delivery::state}));
    CHECK_FALSE(pair.broker.retained("load/state"));
}

TEST_CASE("a reconnected client gets the retained messages again, marked so, after link_up") {
    Pair pair;
    CHECK(pair.mouth->publish({"load/state", "running", Delivery::state}));
    pair.broker.run_until(at(1s));
    pair.broker.cut(*pair.ear, "cable");
    CHECK(pair.heard.downs == std::vector<std::string>{"cable"});
    pair.heard.heard.clear();
    pair.broker.restore(*pair.ear);
    pair.broker.run_until(at(2s));
    REQUIRE(pair.heard.heard.size() == 2);  // its own will, and the state
    CHECK(pair.heard.heard[1].payload == "running");
    CHECK(pair.heard.heard[1].retained);
    CHECK(pair.heard.heard[1].at > pair.heard.ups.back());
}

TEST_CASE("what is under way to a client that is cut is lost") {
    Pair pair;
    CHECK(pair.mouth->publish({"load/set", "on", Delivery::command}));
    pair.broker.cut(*pair.ear, "cable");
    CHECK(pair.mouth->publish({"load/set", "on", Delivery::command}));
    pair.broker.restore(*pair.ear);
    pair.broker.run_until(at(2s));
    CHECK(pair.heard.count("on") == 0);
    CHECK(pair.heard.ups.size() == 2);
}

TEST_CASE("a client that is cut or vanishes leaves its will, one whose broker stops does not") {
    SimulatedBroker broker(10ms);
    RecordingListener heard;
    const auto witness = broker.client("witness");
    witness->listen(&heard);
    witness->subscribe("#");
    auto frail = broker.client("frail", adapters::Will{"frail/state", "lost", false});
    broker.run_until(at(1s));

    broker.stop("power");
    broker.start();
    broker.run_until(at(2s));
    CHECK(heard.count("lost") == 0);
    broker.cut(*frail, "cable");
    broker.run_until(at(3s));
    CHECK(heard.count("lost") == 1);
    broker.restore(*frail);
    broker.run_until(at(4s));
    frail.reset();
    broker.run_until(at(5s));
    CHECK(heard.count("lost") == 2);
    CHECK_FALSE(broker.retained("frail/state"));
}

TEST_CASE("a stopped broker loses what is under way, and keeps what is retained unless told to forget") {
    Pair pair;
    CHECK(pair.mouth->publish({"load/state", "running", Delivery::state}));
    pair.broker.stop("power");
    CHECK_FALSE(pair.mouth->publish({"load/state", "off", Delivery::state}));
    pair.broker.run_until(at(1s));
    CHECK(pair.heard.heard.empty());

    const auto late = pair.broker.client("late");
    pair.broker.start();
    pair.broker.run_until(at(2s));
    CHECK(late->connected());
    REQUIRE(pair.heard.count("running") == 1);
    CHECK(pair.heard.heard.front().retained);

    pair.broker.stop("power");
    pair.broker.forget_retained();
    pair.broker.start();
    pair.broker.run_until(at(3s));
    CHECK(pair.heard.count("running") == 1);
}

TEST_CASE("a client that was cut stays down when the broker restarts, until it is restored") {
    Pair pair;
    pair.broker.cut(*pair.ear, "cable");
    pair.broker.stop("power");
    pair.broker.start();
    pair.broker.run_until(at(1s));
    CHECK_FALSE(pair.ear->connected());
    CHECK(pair.mouth->connected());
    pair.broker.stop("power");
    pair.broker.restore(*pair.ear);
    pair.broker.start();
    pair.broker.run_until(at(2s));
    CHECK(pair.ear->connected());
}

TEST_CASE("a meddler can lose, delay, repeat and garble messages, and an expired one is not delivered") {
    Pair pair;
    pair.broker.meddle([](SimulatedBroker::InTransit& message) -> std::size_t {
        CHECK(message.from == "mouth");
        CHECK(message.to == "ear");
        if (message.payload == "lose") return 0;
        if (message.payload == "repeat") return 2;
        if (message.payload == "garble") message.payload = "g#rble";
        if (message.payload.starts_with("delay")) message.due += 5s;
        return 1;
    });
    for (const char* payload : {"lose", "repeat", "garble", "delay"}) {
        CHECK(pair.mouth->publish({"x", payload, Delivery::event}));
    }
    CHECK(pair.mouth->publish({"x", "delay, expires", Delivery::command, 4s}));
    CHECK(pair.mouth->publish({"x", "delay, lives", Delivery::command, 6s}));
    pair.broker.run_until(at(20s));
    CHECK(pair.heard.count("lose") == 0);
    CHECK(pair.heard.count("repeat") == 2);
    CHECK(pair.heard.count("g#rble") == 1);
    CHECK(pair.heard.count("delay") == 1);
    CHECK(pair.heard.count("delay, expires") == 0);
    CHECK(pair.heard.count("delay, lives") == 1);
}

TEST_CASE("an expired retained message is not handed out") {
    Pair pair;
    CHECK(pair.mouth->publish({"load/state", "running", Delivery::state, 10s}));
    CHECK(pair.broker.retained("load/state") == "running");
    pair.broker.run_until(at(11s));
    CHECK_FALSE(pair.broker.retained("load/state"));
    RecordingListener late;
    const auto newcomer = pair.broker.client("newcomer");
    newcomer->listen(&late);
    newcomer->subscribe("load/state");
    pair.broker.run_until(at(12s));
    CHECK(late.heard.empty());
}

TEST_CASE("without a listener, messages are dropped quietly") {
    Pair pair;
    pair.ear->listen(nullptr);
    CHECK(pair.mouth->publish({"x", "unheard", Delivery::event}));
    pair.broker.run_until(at(1s));
    pair.broker.cut(*pair.ear, "cable");
    CHECK(pair.heard.heard.empty());
    CHECK(pair.heard.downs.empty());
}
