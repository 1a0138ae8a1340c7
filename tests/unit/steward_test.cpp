// The Steward on a simulated broker, with a hand-made rig: what it believes of the topics beside meters and
// switches.
#include "daemon/steward.h"

#include <nlohmann/json.hpp>

#include "tests/support/catch.h"
#include "tests/support/simulated_broker.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using nlohmann::json;

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

/// Two sources and two loads, whose relays tell nothing of themselves. Tests change what is written here.
json plain_rig() {
    return json::parse(R"({
      "rig": { "id": "test", "name": "Test" },
      "sources": [ { "id": "pedestal", "kind": "breaker", "rating_a": 30 },
                   { "id": "outlet", "kind": "breaker", "rating_a": 20 } ],
      "present_source": { "id": "pedestal" },
      "meters": [ { "id": "main", "leg": "L1", "current": { "topic": "meter" }, "period_ms": 100 } ],
      "loads": [
        { "id": "heater", "name": "Heater", "rank": 1, "control": "permitted",
          "stages": [ { "start_a": 5, "running_a": 5 } ], "switch": { "topic": "relay/1" } },
        { "id": "pump", "name": "Pump", "rank": 2, "control": "permitted",
          "stages": [ { "start_a": 4, "running_a": 4 } ], "switch": { "topic": "relay/2" } } ] })");
}

/// Both loads start hard, and need not rest.
json hard_rig() {
    json file = plain_rig();
    for (auto& load : file["loads"]) {
        load["stages"] = json::parse(R"([ { "start_a": 46, "start_window_s": 0.5, "running_a": 9 } ])");
        load["minimum_off_s"] = 0;
        load["minimum_on_s"] = 0;
    }
    return file;
}

daemon::Configuration read(const std::string& text) {
    auto result = daemon::read_configuration(text);
    if (const auto* mistakes = std::get_if<daemon::Mistakes>(&result)) {
        for (const auto& mistake : *mistakes)
            UNSCOPED_INFO(sentence(mistake));
    }
    REQUIRE(std::holds_alternative<daemon::Configuration>(result));
    return std::get<daemon::Configuration>(std::move(result));
}

/// What the relays are told, in order.
struct Relays final : adapters::Link::Listener {
    std::vector<std::string> told;

    void link_up(rules::Instant) override {}
    void link_down(rules::Instant, std::string_view) override {}
    void received(rules::Instant, const adapters::Message& message) override {
        told.push_back(std::string(message.topic) + " " + std::string(message.payload));
    }
};

/// A Steward, the rest of the world on one client, and a meter.
struct World {
    Relays relays;
    tests::SimulatedBroker broker{1ms};
    std::unique_ptr<tests::SimulatedBroker::Client> others = broker.client("others");
    std::unique_ptr<tests::SimulatedBroker::Client> own = broker.client("own");
    std::vector<std::string> log;
    std::unique_ptr<daemon::Steward> steward;
    rules::Instant now{};
    std::string reading = "1.0";  ///< of the meter

    World() {
        others->listen(&relays);
        others->subscribe("relay/+");
    }
    ~World() { others->listen(nullptr); }
    World(const World&) = delete;
    World& operator=(const World&) = delete;

    void begin(const std::string& text, daemon::Mode mode = daemon::Mode::command) {
        steward = std::make_unique<daemon::Steward>(
            read(text), mode, *own,
            [this](daemon::Severity, std::string_view line) { log.emplace_back(line); }, 1, now);
    }
    /// As the program does on SIGHUP.
    void reload(const json& file) {
        hand_over(file);
        run(5s);
    }
    void hand_over(const json& file) {
        auto heritage = steward->hand_over(now, read(file.dump()));
        broker.run_until(now += 100ms);  // what was said last is delivered
        relays_until_reload = std::exchange(relays.told, {});
        steward.reset();
        own = broker.client("own");
        begin(file.dump());
        steward->inherit(std::move(heritage));
    }
    std::vector<std::string> relays_until_reload;
    void run(rules::Duration time) {
        for (const auto end = now + time; now < end;) {
            now += 100ms;
            broker.run_until(now);
            others->publish({"meter", reading, adapters::Delivery::event});
            steward->tick(now);
        }
    }
    /// When the relay is told so, its load starts, to that peak, and runs on with that much.
    void start(const std::string& relay, const char* peak, const char* after) {
        for (int i = 0; i < 3000 && (relays.told.empty() || relays.told.back() != relay); ++i)
            run(100ms);
        REQUIRE(relays.told.back() == relay);
        run(1s);
        start_again(peak, after);
    }
    /// By itself, as it is permitted.
    void start_again(const char* peak, const char* after) {
        reading = peak;
        run(400ms);
        reading = after;
        run(5s);
    }
    /// The first load of the hard rig alone stops and starts again.
    void cycle() {
        reading = "1";
        run(5s);
        start_again("45", "10");
    }
    std::uint64_t learned(rules::LoadIndex load = 0) const {
        return steward->marshal().profile(load, 0).memory().seen;
    }
    std::string shows(const std::string& property) {
        return std::string(broker.retained("homie/5/test/" + property).value_or("(none)"));
    }
    /// Until everything of the plain rig is on.
    void settle() {
        run(60s);
        REQUIRE(relays.told.back() == "relay/2 ON");
        relays.told.clear();
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

TEST_CASE(
    "a remembered source is believed where it is tighter, and where only one way nobody knows the source") {
    const auto [configured, remembered, present] = GENERATE(table<std::string, std::string, std::string>({
        {"pedestal", "outlet", "outlet"},     // 30 A in all instead of 50 A on each leg
        {"outlet", "pedestal", "outlet"},     // looser
        {"generator", "adapter", "unknown"},  // 15 A in all: less than twice 12.5 A, but more on one leg
        {"adapter", "generator", "unknown"},  // and the other way round
        {"adapter", "adapter", "adapter"},
    }));
    CAPTURE(configured, remembered);
    json file = plain_rig();
    file["rig"]["legs"] = 2;
    file["sources"] = json::parse(R"([
        { "id": "pedestal", "kind": "breaker", "feed": "two_legs", "rating_a": 50 },
        { "id": "outlet", "kind": "breaker", "feed": "shared_by_legs", "rating_a": 30 },
        { "id": "adapter", "kind": "breaker", "feed": "shared_by_legs", "rating_a": 15 },
        { "id": "generator", "kind": "generator", "feed": "two_legs", "running_w": 3000, "starting_w": 3600 } ])");
    file["present_source"] = {{"id", configured}, {"topic", "plugged"}};
    file["meters"].push_back(
        json::parse(R"({ "id": "second", "leg": "L2", "current": { "topic": "meter" }, "period_ms": 100 })"));
    for (auto& load : file["loads"])
        load["legs"] = {"L1"};
    World w;
    w.broker.run_until(w.now += 100ms);
    w.others->publish({"plugged", remembered, adapters::Delivery::state});
    w.begin(file.dump());
    w.run(10s);
    CHECK(w.shows("source/present") == present);
    CHECK(w.logged("somebody says which it is") == (present == "unknown" ? 1 : 0));
    w.others->publish({"plugged", "pedestal", adapters::Delivery::event});
    w.run(2s);
    CHECK(w.shows("source/present") == "pedestal");
}

TEST_CASE("without news readings are shown once a second, but a jump, an action or an answer at once") {
    World w;
    std::vector<rules::Instant> shown;
    std::string amperes = "1.0";
    const auto run = [&](int tenths) {
        for (int i = 0; i < tenths; ++i) {
            w.now += 100ms;
            w.broker.run_until(w.now);
            w.others->publish({"meter", amperes, adapters::Delivery::event});
            amperes = amperes == "1.0"   ? "1.2"
                      : amperes == "1.2" ? "1.4"
                                         : "1.0";  // never the same after a second
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
    CHECK(shown.size() >= 8);
    CHECK(shown.size() <= 10);
    shown.clear();
    const auto jumped_at = w.now + 200ms;
    amperes = "9.0";
    run(2);
    REQUIRE_FALSE(shown.empty());
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

TEST_CASE("a reload leaves relays without feedback as they are") {
    World w;
    w.begin(plain_rig().dump());
    w.settle();
    json file = plain_rig();
    file["loads"][0]["id"] = "boiler";  // another name for the same relay
    w.reload(file);
    CHECK(w.relays_until_reload.empty());
    CHECK(w.relays.told == std::vector<std::string>{"relay/1 ON", "relay/2 ON"});
}

TEST_CASE("a load that a reload takes out of the configuration is told to stop before it is forgotten") {
    World w;
    w.begin(plain_rig().dump());
    w.settle();
    json file = plain_rig();
    file["loads"].erase(0);
    w.reload(file);
    CHECK(w.relays_until_reload == std::vector<std::string>{"relay/1 OFF"});
    CHECK(w.relays.told == std::vector<std::string>{"relay/2 ON"});
    CHECK(w.logged("no longer controlled, told to stop: Heater") == 1);
    CHECK_FALSE(w.broker.retained("homie/5/test/heater/state"));
    CHECK_FALSE(w.broker.retained("homie/5/test/heater/demand"));
    CHECK(w.broker.retained("homie/5/test/pump/state"));
}

TEST_CASE("a load that is taken out is left as it is where the end of the program would leave it") {
    World w;
    json file = plain_rig();
    file["on_stop"] = "leave";
    w.begin(file.dump());
    w.settle();
    file["loads"].erase(0);
    w.reload(file);
    CHECK(w.relays_until_reload.empty());
}

TEST_CASE("a load that is taken out while there is no connection is told of") {
    World w;
    w.begin(plain_rig().dump());
    w.run(5s);
    w.broker.cut(*w.own, "pulled");
    json file = plain_rig();
    file["loads"].erase(0);
    w.steward->hand_over(w.now, read(file.dump()));
    CHECK(w.logged("could not be told to stop, for want of a connection: Heater") == 1);
}

TEST_CASE("what people have set outlives a reload, unless the new file says otherwise") {
    World w;
    w.begin(plain_rig().dump());
    w.run(5s);
    w.tell("homie/5/test/heater/hold/set", "true");
    w.tell("homie/5/test/pump/demand/set", "false");
    w.tell("homie/5/test/source/present/set", "outlet");
    REQUIRE(w.steward->marshal().source() == rules::SourceIndex{1});
    json file = plain_rig();
    w.reload(file);
    CHECK(w.steward->marshal().load(0).held);
    CHECK_FALSE(w.steward->marshal().load(1).wanted);
    CHECK(w.steward->marshal().source() == rules::SourceIndex{1});

    w.tell("homie/5/test/source/present/set", "unknown");
    w.reload(file);
    CHECK_FALSE(w.steward->marshal().source());

    w.tell("homie/5/test/source/present/set", "outlet");
    file["sources"][1]["id"] = "driveway";  // nobody has said that it is the outlet
    w.reload(file);
    CHECK(w.steward->marshal().source() == rules::SourceIndex{0});

    file["present_source"]["id"] = "driveway";
    file["loads"][1]["wanted"] = false;
    w.tell("homie/5/test/pump/demand/set", "true");
    w.reload(file);
    CHECK(w.steward->marshal().source() == rules::SourceIndex{1});
    CHECK_FALSE(w.steward->marshal().load(1).wanted);
}

TEST_CASE("an adjustable load is told its setting before it is told on, and the log says so") {
    World w;
    json file = plain_rig();
    file["loads"][1]["control"] = "adjustable";
    file["loads"][1]["setting"] = {{"topic", "relay/2-limit"}, {"least_a", 1.5}};
    w.begin(file.dump());
    const auto told = [&](const char* what) {
        return std::find(w.relays.told.begin(), w.relays.told.end(), what);
    };
    for (int i = 0; i < 100 && told("relay/2 ON") == w.relays.told.end(); ++i)
        w.run(100ms);
    REQUIRE(told("relay/2 ON") != w.relays.told.end());
    CHECK(told("relay/2-limit 1.5") < told("relay/2 ON"));
    w.run(200ms);
    CHECK(w.logged("Pump: set to 1.5 A (may run: its start fits)") == 1);
    CHECK(w.broker.retained("homie/5/test/pump/setting") == "1.5");
}

TEST_CASE("a lockout outlives a reload, and ends only when a person acknowledges it") {
    World w;
    json file = plain_rig();
    file["loads"][0]["switch"]["feedback"] = {{"topic", "state/1"}};
    w.begin(file.dump());
    w.run(5s);
    w.tell("homie/5/test/heater/demand/set", "false");
    for (int i = 0; i < 60; ++i)
        w.tell("state/1", "ON");  // it does not open
    REQUIRE(w.steward->marshal().load(0).state == rules::LoadState::locked_out);
    w.reload(file);
    CHECK(w.steward->marshal().load(0).state == rules::LoadState::locked_out);
    CHECK(w.broker.retained("homie/5/test/$alert/disobedience-heater"));
    w.tell("homie/5/test/heater/acknowledge/set", "acknowledge");
    CHECK(w.steward->marshal().load(0).state == rules::LoadState::off);
    CHECK_FALSE(w.broker.retained("homie/5/test/$alert/disobedience-heater"));
}

TEST_CASE("a preference and a stop of everything outlive a reload") {
    World w;
    w.begin(plain_rig().dump());
    w.settle();
    w.tell("homie/5/test/pump/prefer/set", "60");
    w.tell("homie/5/test/rig/stop-all/set", "true");
    const auto until = w.steward->marshal().load(1).preferred_until;
    REQUIRE(until);
    w.reload(plain_rig());
    CHECK(w.steward->marshal().load(1).preferred_until == until);
    CHECK(w.steward->marshal().everything_stopped());
    CHECK(w.broker.retained("homie/5/test/rig/stop-all") == "true");
}

TEST_CASE("what people set is kept before it is shown, and only when it is new") {
    World w;
    std::vector<daemon::Memory> kept;
    std::optional<std::string> shown_when_kept;
    w.begin(plain_rig().dump());
    w.steward->keep_with(
        [&](const daemon::Memory& memory) {
            kept.push_back(memory);
            shown_when_kept = w.broker.retained("homie/5/test/heater/hold");
            return true;
        },
        {});
    w.settle();
    CHECK(kept.size() == 1);
    CHECK(kept.back() == daemon::blank_memory(w.steward->marshal().rig()));
    w.tell("homie/5/test/heater/hold/set", "true");
    REQUIRE(kept.size() == 2);
    CHECK(kept.back().loads[0].held);
    CHECK(shown_when_kept == "false");
    CHECK(w.broker.retained("homie/5/test/heater/hold") == "true");
    w.tell("homie/5/test/heater/hold/set", "true");
    w.run(60s);
    CHECK(kept.size() == 2);
    w.tell("homie/5/test/pump/prefer/set", "60");
    w.tell("homie/5/test/pump/demand/set", "false");
    w.tell("homie/5/test/rig/stop-all/set", "true");
    REQUIRE(kept.size() == 5);
    CHECK(kept.back().loads[1].preferred_until);
    CHECK_FALSE(kept.back().loads[1].wanted);
    CHECK(kept.back().everything_stopped);
}

TEST_CASE("what could not be kept is offered again") {
    World w;
    bool works = false;
    int offered = 0;
    w.begin(plain_rig().dump());
    w.steward->keep_with(
        [&](const daemon::Memory&) {
            ++offered;
            return works;
        },
        {});
    w.run(5s);
    w.tell("homie/5/test/heater/hold/set", "true");
    CHECK(offered >= 2);
    works = true;
    w.tell("homie/5/test/pump/hold/set", "true");
    const int until_it_worked = offered;
    w.run(60s);
    CHECK(offered == until_it_worked);
}

TEST_CASE("a new life is told what the old one kept, and keeps nothing else before that") {
    const std::string file = plain_rig().dump();
    daemon::Memory memory = daemon::blank_memory(read(file).rig);
    memory.everything_stopped = true;
    memory.loads[0] = {.wanted = false, .lockout = rules::Lockout::stall};
    memory.loads[1] = {.wanted = true, .held = true, .preferred_until = rules::Instant(2h)};

    World w;
    w.broker.cut(*w.own, "not there yet");
    w.begin(file);
    std::vector<daemon::Memory> kept;
    w.steward->keep_with(
        [&](const daemon::Memory& it) {
            kept.push_back(it);
            return true;
        },
        {});
    w.steward->inherit({.events = daemon::recall(memory, w.steward->marshal().rig(), w.now)});
    w.run(10s);
    CHECK(kept.empty());
    w.broker.restore(*w.own);
    w.run(60s);
    for (const auto& it : kept)
        CHECK(it == memory);
    CHECK(w.steward->marshal().load(0).state == rules::LoadState::locked_out);
    CHECK(w.steward->marshal().load(1).held);
    CHECK(w.steward->marshal().load(1).preferred_until == rules::Instant(2h));
    CHECK(w.broker.retained("homie/5/test/rig/stop-all") == "true");
    CHECK(w.broker.retained("homie/5/test/heater/locked-out") == "true");
    CHECK(w.broker.retained("homie/5/test/heater/demand") == "false");
    CHECK(w.broker.retained("homie/5/test/$alert/stall-heater"));
    CHECK(std::count(w.relays.told.begin(), w.relays.told.end(), "relay/1 ON") == 0);
    CHECK_FALSE(kept.empty());

    w.tell("homie/5/test/rig/stop-all/set", "false");
    w.tell("homie/5/test/heater/acknowledge/set", "acknowledge");
    w.tell("homie/5/test/heater/demand/set", "true");
    w.run(60s);
    CHECK(w.relays.told.back() == "relay/1 ON");
    CHECK(kept.back().loads[0] == daemon::LoadMemory{.wanted = true});
}

TEST_CASE("a second reload before the link has come up forgets nothing") {
    World w;
    w.begin(plain_rig().dump());
    w.settle();
    w.tell("homie/5/test/source/present/set", "outlet");
    w.hand_over(plain_rig());
    w.reload(plain_rig());
    CHECK(w.relays_until_reload.empty());
    CHECK(w.relays.told == std::vector<std::string>{"relay/1 ON", "relay/2 ON"});
    CHECK(w.steward->marshal().source() == rules::SourceIndex{1});
}

TEST_CASE("a reload while the broker is away leaves relays as they are") {
    World w;
    w.begin(plain_rig().dump());
    w.settle();
    w.broker.cut(*w.own, "pulled");
    w.run(10s);
    w.reload(plain_rig());
    CHECK(w.relays.told == std::vector<std::string>{"relay/1 ON", "relay/2 ON"});
}

TEST_CASE("a load runs on an inverter that carries its watts but not its volt-amperes") {
    // P = V I cos phi (IEC 60050-131, from memory): 120 V x 12 A x 0.65 = 936 W, but 1440 VA, on 1200 W.
    const auto charger_on = [](double power_factor) {
        World w;
        json file = json::parse(inverter_rig);
        file["sources"][0].erase("battery");
        file["sources"][0]["continuous_w"] = 1200;
        file["meters"][0].erase("current");
        file["meters"][0]["power"] = {{"topic", "meter"}};
        file["loads"][0]["stages"][0] = {{"start_a", 12}, {"running_a", 12}};
        file["loads"][0]["power_factor"] = power_factor;
        w.begin(file.dump());
        w.reading = "0";
        w.run(10s);
        const bool granted = w.steward->marshal().load(0).commanded_on;
        CHECK(w.why() == (granted ? "fits" : "steady_full"));
        w.reading = granted ? "936" : "0";
        w.run(60s);
        CHECK(w.steward->marshal().load(0).commanded_on == granted);
        CHECK(w.logged("7.8 A running") == (granted ? 1 : 0));
        return granted;
    };
    CHECK(charger_on(0.65));
    CHECK_FALSE(charger_on(1));
}

TEST_CASE("a reload takes nothing off that runs, and asks for no second start of it") {
    World w;
    json file = hard_rig();
    for (auto& load : file["loads"])
        load["minimum_off_s"] = 180;
    w.begin(file.dump());
    w.start("relay/1 ON", "45", "10");
    w.start("relay/2 ON", "55", "19");
    w.run(10s);
    w.reload(file);
    w.relays.told.clear();
    w.run(60s);
    CHECK(std::none_of(w.relays.told.begin(), w.relays.told.end(),
                       [](const std::string& told) { return told.find("OFF") != std::string::npos; }));
    for (const rules::LoadIndex i : {0U, 1U}) {
        CHECK(w.steward->marshal().load(i).state == rules::LoadState::running);
        CHECK(w.steward->marshal().load(i).drawn_a == Approx(9).margin(0.5));
    }
    CHECK(w.steward->marshal().profile(0, 0).memory().count == 1);
}

namespace {

/// What a Steward had kept of what starts have taught, and when.
struct Lessons {
    explicit Lessons(World& w) : world(w) {
        w.steward->keep_with({}, [this](const daemon::Lessons& lessons) {
            if (works) kept.push_back(lessons);
            offered.push_back(world.now);
            shown_when_kept = world.shows("heater/starts-seen");
            return works;
        });
    }
    World& world;
    bool works = true;
    std::vector<daemon::Lessons> kept;
    std::vector<rules::Instant> offered;
    std::string shown_when_kept;
};

/// The hard rig with the second load held off, so that there is one to learn from.
void begin_with_one(World& w, const json& file = hard_rig()) {
    json one = file;
    one["loads"][1]["wanted"] = false;
    w.begin(one.dump());
}

}  // namespace

TEST_CASE("what starts teach is kept before it shows, then every five minutes at most, and at the end") {
    World w;
    begin_with_one(w);
    Lessons lessons(w);
    w.start("relay/1 ON", "45", "10");
    REQUIRE(lessons.kept.size() == 1);
    CHECK(lessons.kept[0][0][0].count == 1);
    CHECK(lessons.kept[0][0][0].last[0].peak_a == Approx(44));
    CHECK(lessons.shown_when_kept == "0");
    CHECK(w.shows("heater/starts-seen") == "1");
    w.run(10min);  // nothing new
    CHECK(lessons.kept.size() == 1);

    w.cycle();
    REQUIRE(w.learned() == 2);
    CHECK(lessons.kept.size() == 2);
    while (w.now - lessons.offered.back() < daemon::lessons_kept_every - 20s)
        w.cycle();
    CHECK(lessons.kept.size() == 2);
    w.run(30s);
    REQUIRE(lessons.kept.size() == 3);
    CHECK(lessons.kept[2][0][0].seen == w.learned());
    CHECK(lessons.kept[2][0][0].seen > 10);

    w.cycle();
    CHECK(lessons.kept.size() == 3);
    w.steward->stop(w.now, daemon::OnStop::leave);
    REQUIRE(lessons.kept.size() == 4);
    CHECK(lessons.kept[3][0][0].seen == w.learned());
}

TEST_CASE("what starts teach and could not be kept is offered again after five minutes") {
    World w;
    begin_with_one(w);
    Lessons lessons(w);
    lessons.works = false;
    w.start("relay/1 ON", "45", "10");
    w.run(11min);
    REQUIRE(lessons.offered.size() == 3);
    CHECK(lessons.offered[1] - lessons.offered[0] == daemon::lessons_kept_every);
    lessons.works = true;
    w.run(11min);
    CHECK(lessons.offered.size() == 4);
    CHECK(lessons.kept.size() == 1);
}

TEST_CASE("what a person wants forgotten is forgotten at once, and no more kept") {
    World w;
    begin_with_one(w);
    Lessons lessons(w);
    w.start("relay/1 ON", "45", "10");
    w.cycle();
    REQUIRE(lessons.kept.size() == 1);
    std::vector<std::string> told;
    w.broker.meddle([&](tests::SimulatedBroker::InTransit& message) {
        if (message.topic == "homie/5/test/heater/forget")
            told.push_back(message.payload + ", kept " + std::to_string(lessons.kept.size()));
        return std::size_t{1};
    });
    w.others->subscribe("homie/5/test/heater/forget");
    w.tell("homie/5/test/heater/forget/set", "forget");
    REQUIRE(lessons.kept.size() == 2);
    CHECK(lessons.kept[1][0][0].seen == 0);
    CHECK(lessons.kept[1][0][0].count == 0);
    CHECK(told == std::vector<std::string>{"forget, kept 2"});
    CHECK(w.shows("heater/starts-seen") == "0");
    CHECK(w.shows("heater/usual-start") == "(none)");
    w.cycle();
    CHECK(w.shows("heater/starts-seen") == "1");
    CHECK(lessons.kept.size() == 2);
}

TEST_CASE("a new life knows what starts had taught the old one, and is told what cannot be") {
    World w;
    begin_with_one(w);
    w.start("relay/1 ON", "47", "10");
    w.cycle();
    daemon::Lessons lessons = daemon::lessons_of(w.steward->marshal());
    lessons[1][0] = lessons[0][0];
    lessons[1][0].last[1].peak_a = -1;

    World next;
    begin_with_one(next);
    std::vector<daemon::Lessons> kept;
    next.steward->keep_with({}, [&](const daemon::Lessons& it) {
        kept.push_back(it);
        return true;
    });
    next.steward->inherit({.lessons = lessons});
    CHECK(next.logged("what their starts had taught is known again: Heater") == 1);
    CHECK(next.logged("what the starts of Pump (stage 1) had taught is not taken: start 2 of 2 cannot have "
                      "been one") == 1);
    CHECK(next.learned(0) == 2);
    CHECK(next.learned(1) == 0);
    next.run(5s);
    CHECK(next.shows("heater/starts-seen") == "2");
    CHECK(next.shows("pump/starts-seen") == "0");
    CHECK(kept.empty());  // it is nothing new
    // One start was higher than is configured, and that counts.
    CHECK(next.steward->marshal().profile(0, 0).believed(0).start_a == Approx(46));
}

TEST_CASE("what starts have taught outlives a reload under a new name, of observed loads, too, and is kept") {
    World w;
    json file = hard_rig();
    file["loads"][1] = json::parse(
        R"({ "id": "kettle", "control": "observed", "stages": [ { "start_a": 13, "running_a": 13 } ] })");
    w.begin(file.dump());
    w.start("relay/1 ON", "45", "10");
    w.start_again("23", "23");
    REQUIRE(w.learned(0) == 1);
    REQUIRE(w.learned(1) == 1);
    file["loads"][0]["id"] = "boiler";
    w.hand_over(file);
    Lessons lessons(w);
    CHECK(w.learned(0) == 1);
    CHECK(w.learned(1) == 1);
    w.run(5s);
    REQUIRE(lessons.kept.size() == 1);
    CHECK(lessons.kept[0][0][0].seen == 1);
    CHECK(w.shows("boiler/starts-seen") == "1");
    CHECK(w.shows("heater/starts-seen") == "(none)");
    CHECK(w.shows("kettle/starts-seen") == "1");
    // Nothing else is said of a load that cannot be told anything.
    CHECK(w.steward->marshal().load(1).drawn_a == Approx(13).margin(0.5));
    w.hand_over(hard_rig());
    CHECK(w.learned(1) == 0);
}
