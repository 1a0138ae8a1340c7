#include "adapters/switches.h"

#include <string>

#include "adapters/number_at.h"
#include "tests/support/catch.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using adapters::Delivery;
using adapters::FeedbackWiring;
using adapters::Switches;
using adapters::SwitchWiring;
using rules::Instant;

namespace {

/// A link that writes down what was sent, and can be cut.
class FakeLink : public adapters::Link {
  public:
    struct Sent {
        std::string topic;
        std::string payload;
        Delivery delivery;
        std::optional<std::chrono::seconds> expires_after;
    };

    void listen(Listener*) override {}
    void subscribe(std::string_view) override {}
    bool connected() const override { return up; }
    bool publish(const adapters::Publication& it) override {
        if (!up) return false;
        sent.push_back({std::string(it.topic), std::string(it.payload), it.delivery, it.expires_after});
        return true;
    }

    bool up = true;
    std::vector<Sent> sent;
};

constexpr rules::LoadIndex plain = 0;
constexpr rules::LoadIndex refreshed = 1;
constexpr rules::LoadIndex observed = 2;
constexpr rules::LoadIndex in_json = 3;
constexpr rules::LoadIndex adjustable = 4;
constexpr rules::LoadIndex in_milliamperes = 5;

Switches switches() {
    return Switches(
        {SwitchWiring{.command_topic = "relay/1/set",
                      .on_payload = "ON",
                      .off_payload = "OFF",
                      .feedback = FeedbackWiring{.topic = "relay/1", .pointer = "", .on = "1", .off = "0"}},
         SwitchWiring{
             .command_topic = "relay/2/set", .on_payload = "go", .off_payload = "stop", .refresh = 60s},
         std::nullopt,
         SwitchWiring{
             .command_topic = "relay/4/set",
             .on_payload = "ON",
             .off_payload = "OFF",
             .feedback = FeedbackWiring{.topic = "relays", .pointer = "/four", .on = "true", .off = "false"}},
         SwitchWiring{.command_topic = "relay/5/set",
                      .on_payload = "ON",
                      .off_payload = "OFF",
                      .setting = adapters::SettingWiring{.topic = "charger/limit"}},
         SwitchWiring{
             .command_topic = "relay/6/set",
             .on_payload = "ON",
             .off_payload = "OFF",
             .setting = adapters::SettingWiring{
                 .topic = "inverter/set", .payload = R"({"charge":{"max":{setting}}})", .scale = 1000}}});
}

std::vector<rules::SwitchFeedback> after(Switches& it, std::string_view topic, std::string_view payload,
                                         bool retained = false) {
    std::vector<rules::SwitchFeedback> out;
    it.received(Instant(7s), {.topic = topic, .payload = payload, .retained = retained}, out);
    return out;
}

}  // namespace

TEST_CASE("A command goes out at once, never retained, and expires soon") {
    FakeLink link;
    auto it = switches();
    CHECK(it.command(Instant(0s), link, plain, true));
    CHECK(it.command(Instant(1s), link, refreshed, false));
    REQUIRE(link.sent.size() == 2);
    CHECK(link.sent[0].topic == "relay/1/set");
    CHECK(link.sent[0].payload == "ON");
    CHECK(link.sent[1].topic == "relay/2/set");
    CHECK(link.sent[1].payload == "stop");
    for (const auto& sent : link.sent) {
        CHECK(sent.delivery == Delivery::command);
        CHECK(sent.expires_after == 2s);
    }
}

TEST_CASE("A setting goes out as the number, or the message around it, that its device wants") {
    FakeLink link;
    auto it = switches();
    for (const double setting_a : {12.0, 3.5, 7.4000000000000004, 0.1 + 0.2, 100.0})
        CHECK(it.adjust(Instant(0s), link, adjustable, setting_a));
    CHECK(it.adjust(Instant(0s), link, in_milliamperes, 7.4));
    REQUIRE(link.sent.size() == 6);
    for (const auto& sent : link.sent) {
        CHECK(sent.delivery == Delivery::command);
        CHECK(sent.expires_after == 2s);
    }
    CHECK(link.sent[0].topic == "charger/limit");
    CHECK(link.sent[0].payload == "12");
    CHECK(link.sent[1].payload == "3.5");
    CHECK(link.sent[2].payload == "7.4");
    CHECK(link.sent[3].payload == "0.3");
    CHECK(link.sent[4].payload == "100");
    CHECK(link.sent[5].topic == "inverter/set");
    CHECK(link.sent[5].payload == R"({"charge":{"max":7400}})");
}

TEST_CASE("A setting is told again every minute, and not after the link was down until it is told anew") {
    auto it = switches();
    FakeLink link;
    REQUIRE(it.adjust(Instant(0s), link, adjustable, 3.5));
    it.refresh(Instant(59s), link);
    CHECK(link.sent.size() == 1);
    it.refresh(Instant(60s), link);
    REQUIRE(link.sent.size() == 2);
    CHECK(link.sent[1].topic == link.sent[0].topic);
    CHECK(link.sent[1].payload == link.sent[0].payload);
    it.refresh(Instant(61s), link);
    CHECK(link.sent.size() == 2);
    it.link_down();
    it.refresh(Instant(1h), link);
    CHECK(link.sent.size() == 2);
}

TEST_CASE("A setting that cannot be sent is forgotten, and a load without one has none") {
    FakeLink link;
    auto it = switches();
    CHECK_FALSE(it.adjust(Instant(0s), link, plain, 3));
    CHECK_FALSE(it.adjust(Instant(0s), link, observed, 3));
    link.up = false;
    CHECK_FALSE(it.adjust(Instant(0s), link, adjustable, 3));
    CHECK(link.sent.empty());
}

TEST_CASE("A load that is only observed cannot be commanded") {
    FakeLink link;
    auto it = switches();
    CHECK_FALSE(it.command(Instant(0s), link, observed, false));
    CHECK(link.sent.empty());
}

TEST_CASE("A command that cannot be sent is forgotten") {
    FakeLink link;
    link.up = false;
    auto it = switches();
    CHECK_FALSE(it.command(Instant(0s), link, refreshed, true));
    link.up = true;
    it.refresh(Instant(1h), link);
    CHECK(link.sent.empty());
}

TEST_CASE("Only an on is repeated, and only by the switch that asks for it, once each period") {
    FakeLink link;
    auto it = switches();
    it.command(Instant(0s), link, plain, true);
    it.command(Instant(0s), link, refreshed, true);
    link.sent.clear();
    it.refresh(Instant(59s), link);
    CHECK(link.sent.empty());
    it.refresh(Instant(60s), link);
    REQUIRE(link.sent.size() == 1);
    CHECK(link.sent[0].topic == "relay/2/set");
    CHECK(link.sent[0].payload == "go");
    CHECK(link.sent[0].delivery == Delivery::command);
    CHECK(link.sent[0].expires_after == 2s);
    it.refresh(Instant(119s), link);
    CHECK(link.sent.size() == 1);
    it.refresh(Instant(120s), link);
    CHECK(link.sent.size() == 2);
}

TEST_CASE("After an off nothing is repeated") {
    FakeLink link;
    auto it = switches();
    it.command(Instant(0s), link, refreshed, true);
    it.command(Instant(1s), link, refreshed, false);
    link.sent.clear();
    it.refresh(Instant(1h), link);
    CHECK(link.sent.empty());
}

TEST_CASE("An off that cannot be sent still ends the repeating of on") {
    FakeLink link;
    auto it = switches();
    it.command(Instant(0s), link, refreshed, true);
    link.up = false;
    CHECK_FALSE(it.command(Instant(1s), link, refreshed, false));
    link.up = true;
    link.sent.clear();
    it.refresh(Instant(1h), link);
    CHECK(link.sent.empty());
}

TEST_CASE("After the link was down nothing is repeated until it is commanded anew") {
    FakeLink link;
    auto it = switches();
    it.command(Instant(0s), link, refreshed, true);
    link.sent.clear();
    link.up = false;
    it.refresh(Instant(60s), link);
    it.link_down();
    link.up = true;
    it.refresh(Instant(120s), link);
    CHECK(link.sent.empty());
    it.command(Instant(121s), link, refreshed, true);
    it.refresh(Instant(181s), link);
    CHECK(link.sent.size() == 2);
}

TEST_CASE("Feedback tells whether the switch is on, and whether the message is live") {
    auto it = switches();
    const auto on = after(it, "relay/1", "1");
    REQUIRE(on.size() == 1);
    CHECK(on[0].at == Instant(7s));
    CHECK(on[0].load == plain);
    CHECK(on[0].on);
    CHECK(on[0].age_known);
    const auto off = after(it, "relay/1", "0", true);
    REQUIRE(off.size() == 1);
    CHECK_FALSE(off[0].on);
    CHECK_FALSE(off[0].age_known);
}

TEST_CASE("Feedback may stand inside JSON, and a boolean counts as its text") {
    auto it = switches();
    const auto said = after(it, "relays", R"({"four": true})");
    REQUIRE(said.size() == 1);
    CHECK(said[0].load == in_json);
    CHECK(said[0].on);
    CHECK_FALSE(after(it, "relays", R"({"four": "false"})").at(0).on);
}

TEST_CASE("Feedback that is neither on nor off is ignored, counted, and told once") {
    auto it = switches();
    for (const char* payload : {"", "ON", "1 ", "2"})
        CHECK(after(it, "relay/1", payload).empty());
    CHECK(after(it, "relay/1", std::string(adapters::Payload::most_bytes + 1, '1')).empty());
    for (const char* payload : {"garbage", "{}", R"({"four": null})", R"({"four": []})"}) {
        CHECK(after(it, "relays", payload).empty());
    }
    CHECK(it.not_understood(plain) == 5);
    CHECK(it.not_understood(in_json) == 4);
    CHECK(it.not_understood(refreshed) == 0);
    const auto notices = it.take_notices();
    REQUIRE(notices.size() == 2);
    CHECK(notices[0] ==
          "The switch feedback on relay/1 is neither \"1\" nor \"0\"; such messages are ignored. "
          "Compare the \"feedback\" of the load with what it sends.");
    CHECK(it.take_notices().empty());
}

TEST_CASE("Messages of other topics say nothing about a switch") {
    auto it = switches();
    CHECK(after(it, "relay/1/set", "ON").empty());
    CHECK(it.not_understood(plain) == 0);
}

TEST_CASE("Only feedback topics are listened to, each once") {
    CHECK(switches().topics() == std::vector<std::string>{"relay/1", "relays"});
}
