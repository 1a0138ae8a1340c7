// The Steward on a simulated broker, with a hand-made rig: what it believes of the topics beside meters and
// switches.
#include "daemon/steward.h"

#include "tests/support/catch.h"
#include "tests/support/simulated_broker.h"

using namespace ampmarshal;
using namespace std::chrono_literals;

namespace {

constexpr const char* inverter_rig = R"({
  "rig": { "id": "test", "name": "Test" },
  "sources": [
    { "id": "inverter", "name": "Inverter", "kind": "inverter", "continuous_w": 2000, "surge_w": 4000, "surge_for_s": 5,
      "battery": { "charge": { "topic": "battery", "pointer": "/percent" }, "stop_below_percent": 20, "resume_from_percent": 30 } } ],
  "meters": [ { "id": "main", "leg": "L1", "current": { "topic": "meter" }, "period_ms": 100 } ],
  "loads": [ { "id": "heater", "name": "Heater", "legs": ["L1"], "rank": 1, "control": "permitted",
    "stages": [ { "name": "element", "start_a": 8, "running_a": 8 } ], "switch": { "topic": "relay" } } ]
})";

daemon::Configuration read(const char* text) {
    auto result = daemon::read_configuration(text);
    if (const auto* mistakes = std::get_if<daemon::Mistakes>(&result)) {
        for (const auto& mistake : *mistakes)
            UNSCOPED_INFO(sentence(mistake));
    }
    REQUIRE(std::holds_alternative<daemon::Configuration>(result));
    return std::get<daemon::Configuration>(std::move(result));
}

/// A Steward, the rest of the world on one client, and a meter that reads 1 A.
struct World {
    tests::SimulatedBroker broker{1ms};
    std::unique_ptr<tests::SimulatedBroker::Client> others = broker.client("others");
    std::unique_ptr<tests::SimulatedBroker::Client> own = broker.client("own");
    std::vector<std::string> log;
    std::unique_ptr<daemon::Steward> steward;
    rules::Instant now{};

    void begin(const char* text) {
        steward = std::make_unique<daemon::Steward>(
            read(text), daemon::Mode::command, *own,
            [this](daemon::Severity, std::string_view line) { log.emplace_back(line); }, 1, now);
    }
    void run(rules::Duration time) {
        for (const auto end = now + time; now < end;) {
            now += 100ms;
            broker.run_until(now);
            others->publish({"meter", "1.0", adapters::Delivery::event});
            steward->tick(now);
        }
    }
    void tell(const char* topic, const char* payload) {
        others->publish({topic, payload, adapters::Delivery::event});
        run(200ms);
    }
    std::string why() const { return word(steward->marshal().load(0).reason.kind); }
    std::size_t logged(const std::string& part) const {
        return static_cast<std::size_t>(std::count_if(
            log.begin(), log.end(), [&](const std::string& l) { return l.find(part) != std::string::npos; }));
    }
};

}  // namespace

TEST_CASE("the battery's charge is read from its topic, and decides whether loads may run on the inverter") {
    World w;
    w.run(0ms);
    w.begin(inverter_rig);
    w.run(5s);
    CHECK(w.why() == "waits_for_battery");
    w.tell("battery", R"({"percent":55})");
    CHECK(w.why() == "fits");
    w.tell("battery", R"({"percent":12})");
    CHECK(w.why() == "battery_low");
}

TEST_CASE("a battery's charge that is retained or nonsense is not believed, and nonsense is told once") {
    World w;
    w.others->publish({"battery", R"({"percent":90})", adapters::Delivery::state});
    w.broker.run_until(w.now);
    w.begin(inverter_rig);
    w.run(5s);
    CHECK(w.why() == "waits_for_battery");
    for (const char* nonsense : {R"({"percent":"full"})", R"({"percent":150})", R"({})", "\xff", ""})
        w.tell("battery", nonsense);
    CHECK(w.why() == "waits_for_battery");
    CHECK(w.logged("tells no charge from 0 to 100 %") == 1);
}

TEST_CASE("without news readings are shown twice a second, but a jump, an action or an answer at once") {
    World w;
    std::vector<rules::Instant> shown;
    std::string amperes = "1.0";
    const auto run = [&](int tenths) {
        for (int i = 0; i < tenths; ++i) {
            w.now += 100ms;
            w.broker.run_until(w.now);
            w.others->publish({"meter", amperes, adapters::Delivery::event});
            amperes = amperes == "1.0" ? "1.3" : "1.0";
            w.steward->tick(w.now);
        }
    };
    w.broker.meddle([&](tests::SimulatedBroker::InTransit& message) {
        if (message.topic == "homie/5/test/source/current-l1") shown.push_back(w.now);
        return std::size_t{1};
    });
    w.others->subscribe("homie/5/test/source/#");
    w.begin(inverter_rig);
    run(100);
    shown.clear();
    run(100);
    CHECK(shown.size() >= 15);
    CHECK(shown.size() <= 20);
    shown.clear();
    const auto jumped_at = w.now + 200ms;
    amperes = "9.0";
    run(2);
    CHECK(shown.size() >= 1);
    CHECK(shown.front() <= jumped_at);
    std::string demand;
    w.others->subscribe("homie/5/test/heater/#");
    w.broker.meddle([&](tests::SimulatedBroker::InTransit& message) {
        if (message.topic == "homie/5/test/heater/demand") demand = message.payload;
        return std::size_t{1};
    });
    w.others->publish({"homie/5/test/heater/demand/set", "true", adapters::Delivery::event});
    run(1);
    CHECK(demand == "true");
}
