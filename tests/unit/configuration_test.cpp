// What the configuration accepts, what it makes of it, and what it says about mistakes. Single mistakes stand
// in configuration_cases.json, as changes to one of the examples; schema_test.py holds the JSON Schema
// against the same file.
#include "daemon/configuration.h"

#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>

#include "tests/support/catch.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using daemon::Configuration;
using daemon::Mistake;
using daemon::Mistakes;
using daemon::sentence;
using nlohmann::json;

namespace {

std::string example_path(const std::string& name) {
    return AMPMARSHAL_EXAMPLES "/" + name + ".jsonc";
}

json example(const std::string& name) {
    std::ifstream file(example_path(name));
    return json::parse(file, nullptr, true, true);
}

/// Everything that may be left out is.
json smallest() {
    return json::parse(R"({
        "rig": { "id": "wren" },
        "sources": [ { "id": "shore", "kind": "breaker", "rating_a": 30 } ],
        "meters": [ { "id": "main", "leg": "L1", "current": { "topic": "amps" } } ]
    })");
}

Mistakes mistakes_in(const std::string& text) {
    const auto read = daemon::read_configuration(text);
    const auto* mistakes = std::get_if<Mistakes>(&read);
    return mistakes != nullptr ? *mistakes : Mistakes{};
}

Configuration configuration(const json& file) {
    auto read = daemon::read_configuration(file.dump());
    if (const auto* mistakes = std::get_if<Mistakes>(&read)) {
        for (const auto& mistake : *mistakes)
            UNSCOPED_INFO(sentence(mistake));
        FAIL("the configuration should be without mistakes");
    }
    return std::get<Configuration>(std::move(read));
}

std::string sentences(const Mistakes& mistakes) {
    std::string out;
    for (const auto& mistake : mistakes)
        out += sentence(mistake) + "\n";
    return out;
}

/// A file of our own that goes when the test ends.
class TemporaryFile {
  public:
    explicit TemporaryFile(const std::string& content)
        : path_(std::filesystem::temp_directory_path() /
                ("ampmarshal-configuration-test-" + std::to_string(::getpid()))) {
        std::ofstream(path_, std::ios::binary) << content;
    }
    ~TemporaryFile() { std::filesystem::remove(path_); }
    TemporaryFile(const TemporaryFile&) = delete;
    TemporaryFile& operator=(const TemporaryFile&) = delete;
    std::string path() const { return path_; }

  private:
    std::filesystem::path path_;
};

}  // namespace

TEST_CASE("Every example is without mistakes") {
    std::size_t examples = 0;
    for (const auto& entry : std::filesystem::directory_iterator(AMPMARSHAL_EXAMPLES)) {
        if (entry.path().extension() != ".jsonc") continue;
        const auto read = daemon::load_configuration(entry.path());
        INFO(entry.path());
        if (const auto* mistakes = std::get_if<Mistakes>(&read)) INFO(sentences(*mistakes));
        CHECK(std::holds_alternative<Configuration>(read));
        ++examples;
    }
    CHECK(examples >= 2);
}

TEST_CASE("Each single mistake is told with its place, and nothing else is") {
    std::ifstream file(AMPMARSHAL_CONFIGURATION_CASES);
    const json cases = json::parse(file);
    CHECK(cases.size() > 100);
    for (const auto& it : cases) {
        json changed = example(it.value("base", "one-leg-30a"));
        if (it.contains("remove")) {
            changed = changed.patch(json::array({{{"op", "remove"}, {"path", it["remove"]}}}));
        }
        for (const auto& change : it.value("change", json::array())) {
            changed[json::json_pointer(change[0].get<std::string>())] = change[1];
        }
        const Mistakes mistakes = mistakes_in(changed.dump());
        INFO(it["what"].get<std::string>() << "\n" << sentences(mistakes));
        if (!it.contains("at")) {
            CHECK(mistakes.empty());
            continue;
        }
        const auto told = std::find_if(mistakes.begin(), mistakes.end(), [&](const Mistake& mistake) {
            return mistake.pointer == it["at"].get<std::string>() &&
                   mistake.wrong.find(it["wrong"].get<std::string>()) != std::string::npos;
        });
        CHECK(told != mistakes.end());
        CHECK(mistakes.size() == it.value("mistakes", std::size_t{1}));
    }
}

TEST_CASE("All mistakes are told at once") {
    json file = example("one-leg-30a");
    file["rig"]["nominal_v"] = "high";
    file["sources"][3]["starting_w"] = 1000;
    file["meters"][0]["period"] = 100;
    file["loads"][1]["rank"] = 1;
    file["loads"][2].erase("switch");
    const auto mistakes = mistakes_in(file.dump());
    std::vector<std::string> places;
    for (const auto& mistake : mistakes)
        places.push_back(mistake.pointer);
    CHECK(places == std::vector<std::string>{"/rig/nominal_v", "/sources/3", "/meters/0/period",
                                             "/loads/1/rank", "/loads/2/switch"});
}

TEST_CASE("A mistake reads as place, what is wrong, and what would be right") {
    CHECK(sentence({"/loads/0/rank", "is missing", "give one"}) == "/loads/0/rank: is missing; give one");
    CHECK(sentence({"", "cannot be read", ""}) == "cannot be read");
    json file = smallest();
    file["rig"]["legs"] = 3;
    CHECK(sentences(mistakes_in(file.dump())) ==
          "/rig/legs: 3 is out of range; give a whole number between 1 and 2\n");
}

TEST_CASE("For an unknown key the nearest known one is suggested, or all are listed") {
    json file = smallest();
    file["meters"][0]["perid_ms"] = 100;
    file["sources"][0]["x"] = 1;
    const auto mistakes = mistakes_in(file.dump());
    REQUIRE(mistakes.size() == 2);
    CHECK(mistakes[0].pointer == "/sources/0/x");
    CHECK(mistakes[0].right.starts_with(R"(known are "id", "name", "feed", "kind", "rating_a", )"));
    CHECK(mistakes[1].pointer == "/meters/0/perid_ms");
    CHECK(mistakes[1].right == R"(did you mean "period_ms"?)");
}

TEST_CASE("A key with a slash or a tilde is pointed to as RFC 6901 says") {
    json file = smallest();
    file["a/b~c"] = 1;
    CHECK(mistakes_in(file.dump()).at(0).pointer == "/a~1b~0c");
}

TEST_CASE("The smallest configuration gets the documented fallbacks") {
    const auto it = configuration(smallest());
    CHECK(it.device_id == "wren");
    CHECK(it.homie_domain == "homie");
    CHECK(it.on_stop == daemon::OnStop::hold);
    CHECK(it.broker.host == "127.0.0.1");
    CHECK(it.broker.port == 1883);
    CHECK(it.broker.client_id == "ampmarshal-wren");
    CHECK_FALSE(it.broker.username);
    CHECK_FALSE(it.broker.ca_file);
    CHECK(it.broker.keepalive == 10s);
    CHECK(it.rig.name == "wren");
    CHECK(it.rig.legs == rules::LegSet(rules::Leg::l1));
    CHECK(it.rig.sources.at(0).name == "shore");
    CHECK(it.rig.sources.at(0).nominal_v == 120);
    CHECK(it.rig.sources.at(0).feed == rules::Feed::one_leg);
    CHECK(it.present_source == rules::SourceIndex{0});  // the only one
    CHECK_FALSE(it.source_selection);
    CHECK(it.rig.loads.empty());
    CHECK(it.switches.empty());
    const auto& meter = it.meters.at(0);
    CHECK(meter.current == adapters::NumberAt{.topic = "amps", .pointer = "", .scale = 1});
    CHECK(meter.period == 1s);
    CHECK(meter.stale_after == 3s);
    CHECK(meter.nominal_v == 120);
    CHECK(meter.largest_plausible_a == 500);
    const auto& timing = it.rig.timing;
    CHECK(timing.meter_period[rules::Leg::l1] == 1s);
    CHECK(timing.stale_after[rules::Leg::l1] == 3s);
    CHECK(timing.decision == 50ms);
    CHECK(timing.steady_grace == 2s);
    CHECK(timing.restore_after == 30s);
    CHECK(timing.dwell == 10min);
    CHECK(timing.starts_at_once == 1);
}

TEST_CASE("A load gets a rest of its own accord only if it starts hard") {
    json file = smallest();
    const json hard = {{"start_a", 40}, {"running_a", 10}};
    const json soft = {{"start_a", 10}, {"running_a", 10}};
    for (const auto& [id, stage] : {std::pair("hard", hard), std::pair("soft", soft)}) {
        const auto rank = file["loads"].size() + 1;
        file["loads"].push_back({{"id", id},
                                 {"rank", rank},
                                 {"control", "switched"},
                                 {"stages", json::array({stage})},
                                 {"switch", {{"topic", std::string("relay/") + id}}}});
    }
    const auto it = configuration(file);
    CHECK(it.rig.loads.at(0).minimum_off == 180s);
    CHECK(it.rig.loads.at(0).minimum_on == 120s);
    CHECK(it.rig.loads.at(1).minimum_off == 0s);
    CHECK(it.rig.loads.at(1).minimum_on == 0s);
    CHECK(it.rig.loads.at(0).wanted_at_start);
    CHECK(it.rig.loads.at(0).switch_latency == 500ms);
    CHECK_FALSE(it.rig.loads.at(0).reports_switch);
    CHECK(it.rig.loads.at(0).stages.at(0).name == "stage 1");
    CHECK(it.rig.loads.at(0).stages.at(0).start_window == 500ms);
    CHECK(it.rig.loads.at(0).stages.at(0).latest_after == 5s);
    CHECK(it.switches.at(0)->on_payload == "ON");
    CHECK(it.switches.at(0)->off_payload == "OFF");
    CHECK_FALSE(it.switches.at(0)->feedback);
    CHECK_FALSE(it.switches.at(0)->refresh);
}

TEST_CASE("A quick meter is stale after a second, not after three of its short periods") {
    json file = smallest();
    file["meters"][0]["period_ms"] = 100;
    CHECK(configuration(file).meters.at(0).stale_after == 1s);
}

TEST_CASE("With a certificate authority the port is the one for TLS") {
    json file = smallest();
    file["broker"] = {{"ca_file", "/etc/ampmarshal/ca.pem"}, {"username", "rig"}, {"password_file", "/p"}};
    const auto it = configuration(file);
    CHECK(it.broker.port == 8883);
    CHECK(it.broker.ca_file == "/etc/ampmarshal/ca.pem");
    CHECK(it.broker.username == "rig");
    CHECK(it.broker.password_file == "/p");
}

TEST_CASE("The one-leg example reads as it is written") {
    const auto it = configuration(example("one-leg-30a"));
    CHECK(it.rig.sources.size() == 4);
    CHECK(it.present_source == rules::SourceIndex{0});
    REQUIRE(it.source_selection);
    CHECK(it.source_selection->topic == "rig/meadowlark/source");
    CHECK(it.source_selection->names.at("shore") == 0);
    CHECK(it.source_selection->names.at("generator") == 3);  // an id needs no name
    REQUIRE(it.rig.loads.size() == 5);
    const auto& front = it.rig.loads[0];
    CHECK(front.id == "ac-front");
    CHECK(front.name == "Front air conditioner");
    CHECK(front.rank == 1);
    CHECK(front.control == rules::Control::permitted);
    CHECK(front.minimum_off == 180s);
    CHECK(front.minimum_on == 120s);
    CHECK(front.rotation == "rooms");
    CHECK(front.switch_latency == 200ms);
    CHECK(front.reports_switch);
    REQUIRE(front.stages.size() == 2);
    CHECK(front.stages[1].name == "compressor");
    CHECK(front.stages[1].start_a == 46);
    CHECK(front.stages[1].running_a == 11.2);
    CHECK(front.stages[1].start_window == 500ms);
    CHECK(front.stages[1].latest_after == 20s);
    REQUIRE(it.switches.size() == 5);
    REQUIRE(it.switches[0]);
    CHECK(it.switches[0]->command_topic == "rig/meadowlark/relay/ac-front/set");
    CHECK(it.switches[0]->refresh == 60s);
    REQUIRE(it.switches[0]->feedback);
    CHECK(it.switches[0]->feedback->topic == "rig/meadowlark/relay/ac-front/state");
    CHECK(it.switches[0]->feedback->on == "ON");
    CHECK(it.rig.loads[3].control == rules::Control::switched);
    CHECK_FALSE(front.adjustment);
    CHECK_FALSE(it.switches[0]->setting);
    REQUIRE(it.rig.loads[3].adjustment);
    CHECK(it.rig.loads[3].adjustment->least_a == 2);
    CHECK(it.rig.loads[3].adjustment->step_a == 1);
    CHECK(it.rig.loads[3].adjustment->every == 10s);
    REQUIRE(it.switches[3]->setting);
    CHECK(it.switches[3]->setting->topic == "rig/meadowlark/charger/limit/set");
    CHECK(it.switches[3]->setting->payload == R"({"watts": {setting}})");
    CHECK(it.switches[3]->setting->scale == 120);
    CHECK(it.rig.loads[4].control == rules::Control::observed);
    CHECK_FALSE(it.switches[4]);
    CHECK(it.meters.at(0).peak == adapters::NumberAt{.topic = "rig/meadowlark/meter/l1", .pointer = "/peak"});
}

TEST_CASE("The two-leg example reads as it is written") {
    const auto it = configuration(example("two-leg-50a"));
    CHECK(it.rig.legs == rules::LegSet::both());
    CHECK(it.rig.sources.at(0).feed == rules::Feed::two_legs);
    CHECK(it.rig.sources.at(1).feed == rules::Feed::shared_by_legs);
    CHECK_FALSE(it.present_source);  // until the topic tells it
    CHECK(it.source_selection->pointer == "/position");
    CHECK(it.meters.at(1).leg == rules::Leg::l2);
    CHECK(it.meters.at(1).current->scale == 0.001);
    CHECK(it.rig.loads.at(1).legs == rules::LegSet(rules::Leg::l2));
    CHECK(it.rig.loads.at(2).legs == rules::LegSet::both());
    CHECK_FALSE(it.rig.loads.at(2).wanted_at_start);
    CHECK(it.rig.loads.at(2).minimum_off == 10s);
}

TEST_CASE("Every kind of plate is read into the source's limits") {
    json file = smallest();
    file["sources"] = json::parse(R"([
        { "id": "hot", "kind": "breaker", "rating_a": 30, "ambient_f": 122, "steady_share": 0.9,
          "behind": [ { "name": "cord", "rating_a": 20 } ] },
        { "id": "high", "kind": "generator", "running_w": 2800, "starting_w": 3500,
          "derating": { "altitude_ft": 6561.68, "inlet_air_f": 77 } },
        { "id": "own", "kind": "generator", "running_w": 2800, "starting_w": 3500, "derating": { "percent": 20 } },
        { "id": "diesel", "kind": "generator", "running_w": 2800, "starting_w": 3500,
          "derating": { "altitude_m": 2000, "formula": "iso_3046_1_diesel" } },
        { "id": "inverter", "kind": "inverter", "continuous_w": 2400, "surge_w": 4800, "surge_for_s": 5,
          "battery": { "charge": { "topic": "soc", "pointer": "/percent" },
                       "stop_below_percent": 20, "resume_from_percent": 30 } } ])");
    const auto it = configuration(file);
    const auto& sources = it.rig.sources;
    REQUIRE(sources[0].limits.size() == 2);
    CHECK(sources[0].limits[0].steady_a == Approx(0.9 * 30 * 0.88));  // 122 F is 50 C: 12 % less
    CHECK(sources[0].limits[1].name == "cord");
    CHECK(sources[0].limits[1].steady_a == Approx(19));
    // SAE J1349 leaves 0.77548 at 2000 m and 25 C.
    CHECK(sources[1].limits[0].ceiling_a == Approx(0.77548 * 3500 / 120).epsilon(1e-5));
    CHECK(sources[2].limits[0].ceiling_a == Approx(0.8 * 3500 / 120));
    // ISO 3046-1 row A: k = 0.794952, alpha = k - 0.7 (1 - k) 0.25.
    CHECK(sources[3].limits[0].ceiling_a == Approx(0.759069 * 3500 / 120).epsilon(1e-5));
    CHECK(sources[4].limits[0].ceiling_a == Approx(40));
    REQUIRE(sources[4].low_battery);
    CHECK(sources[4].low_battery->stop_below_percent == 20);
    CHECK(sources[4].low_battery->resume_from_percent == 30);
    REQUIRE(it.battery_charge.size() == 5);
    CHECK_FALSE(it.battery_charge[0]);
    CHECK(it.battery_charge[4] == adapters::NumberAt{.topic = "soc", .pointer = "/percent", .scale = 1});
    CHECK(it.warnings.empty());
}

namespace {

/// A charger that draws 12 A at a power factor of 0.65, an air conditioner, and a kettle, on either meter.
json with_power_factors(const char* quantity) {
    json file = smallest();
    file["meters"][0].erase("current");
    file["meters"][0][quantity] = {{"topic", "meter"}};
    file["meters"][0]["period_ms"] = 100;
    file["sources"] = json::parse(R"([
        { "id": "inverter", "kind": "inverter", "continuous_w": 1000, "surge_w": 2000, "surge_for_s": 5,
          "behind": [ { "name": "main", "rating_a": 20 } ] },
        { "id": "shore", "kind": "breaker", "rating_a": 30 } ])");
    file["loads"] = json::parse(R"([
        { "id": "charger", "control": "observed", "power_factor": 0.65,
          "stages": [ { "start_a": 12, "running_a": 12 } ] },
        { "id": "ac", "control": "observed", "power_factor": 0.9,
          "stages": [ { "start_a": 46, "running_a": 10 } ] },
        { "id": "kettle", "control": "observed", "stages": [ { "start_a": 10, "running_a": 10 } ] } ])");
    return file;
}

}  // namespace

TEST_CASE("On a meter that tells watts a load counts with its real power, against limits in watts exactly") {
    // Active power P = V I cos phi (IEC 60050-131, 131-11-42, from memory): 120 V x 12 A x 0.65 = 936 W.
    const auto it = configuration(with_power_factors("power"));
    const auto& charger = it.rig.loads[0].stages[0];
    CHECK(charger.running_a * 120 == Approx(936));
    CHECK(charger.start_a == charger.running_a);
    adapters::Meters meters(it.meters);
    std::vector<rules::MeterSample> samples;
    meters.received(rules::Instant{}, {"meter", "936", false}, samples);
    REQUIRE(samples.size() == 1);
    CHECK(samples[0].current_a == Approx(charger.running_a));  // so the meter shows what is expected
    const auto& inverter = it.rig.sources[0].limits[0];
    CHECK(inverter.ceiling_a == Approx(2000.0 / 120));
    CHECK(inverter.steady_a == Approx(950.0 / 120));
    CHECK(charger.running_a < inverter.steady_a);  // 936 W of 950 W, though 12 A would be 1440 VA
    CHECK(it.rig.loads[1].stages[0].running_a == Approx(9));
    CHECK(it.rig.loads[1].stages[0].start_a == 46);  // a standing rotor is no matter of watts
    CHECK(it.rig.loads[2].stages[0].running_a == 10);
}

TEST_CASE("Where the meter tells watts, a limit in amperes is lowered by the lowest power factor behind it") {
    // 12 A at a power factor of 0.65 show as 7.8 A, so 0.65 x 30 A on the meter may be 30 A in the breaker.
    const auto it = configuration(with_power_factors("power"));
    for (const auto& [limit, rating_a] :
         {std::pair(it.rig.sources[0].limits[1], 20.0), std::pair(it.rig.sources[1].limits[0], 30.0)}) {
        CHECK(limit.ceiling_a == Approx(0.65 * 3 * rating_a));
        CHECK(limit.steady_a == Approx(0.65 * 0.95 * rating_a));
        CHECK(limit.images.at(0).pickup_a == Approx(0.65 * rating_a));
    }
    REQUIRE(it.warnings.size() == 2);
    CHECK(sentence(it.warnings[1]) ==
          "/sources/1: its limits in amperes count as 65 %: the meter tells watts, and a load behind it has "
          "this power factor; let the meter tell the current if it can");
}

TEST_CASE("Where the meter tells amperes, or on the other leg, a power factor changes nothing") {
    const auto it = configuration(with_power_factors("current"));
    CHECK(it.rig.loads[0].stages[0].running_a == 12);
    CHECK(it.rig.sources[0].limits[1].steady_a == Approx(19));
    CHECK(it.warnings.empty());

    json file = example("two-leg-50a");  // the meters of both legs tell amperes; now L2 tells watts
    file["meters"][1].erase("current");
    file["meters"][1]["power"] = {{"topic", "watts/2"}};
    for (json& load : file["loads"])
        load["power_factor"] = 0.5;
    const auto plain = configuration(example("two-leg-50a"));
    const auto mixed = configuration(file);
    for (std::size_t i = 0; i < mixed.rig.loads.size(); ++i) {
        const bool lowered = mixed.rig.loads[i].legs == rules::LegSet(rules::Leg::l2);
        CHECK(mixed.rig.loads[i].stages[0].running_a ==
              Approx(plain.rig.loads[i].stages[0].running_a * (lowered ? 0.5 : 1)));
    }
    // The 240 V load's share on L2 is read low, so the breaker's pole there is lowered, too.
    CHECK(mixed.rig.sources[0].limits[0].steady_a == Approx(0.95 * 50));
    CHECK(mixed.rig.sources[0].limits[1].steady_a == Approx(0.5 * 0.95 * 50));
}

TEST_CASE("What makes a limit looser is warned about, with the reason") {
    json file = smallest();
    file["sources"][0]["steady_share"] = 1;
    file["sources"][0]["continuous_share"] = 0.9;
    const auto it = configuration(file);
    REQUIRE(it.warnings.size() == 2);
    CHECK(it.warnings[0].pointer == "/sources/0/steady_share");
    CHECK(it.warnings[0].wrong.find("meter's error") != std::string::npos);
    CHECK(it.warnings[1].pointer == "/sources/0/continuous_share");
    CHECK(it.warnings[1].wrong.find("210.20(A)") != std::string::npos);
    file["sources"][0]["steady_share"] = 0.8;
    file["sources"][0]["continuous_share"] = 0.7;
    CHECK(configuration(file).warnings.empty());
}

TEST_CASE("A meter that is too slow to see how high motors start is told, with the loads and the remedy") {
    json file = smallest();
    file["loads"] = json::parse(R"([
        { "id": "ac", "name": "Air conditioner", "control": "observed", "stages": [
            { "start_a": 5, "running_a": 2, "start_window_s": 3 },
            { "start_a": 46, "running_a": 10, "start_window_s": 0.5, "latest_after_s": 20 } ] },
        { "id": "pump", "name": "Pump", "control": "observed",
          "stages": [ { "start_a": 12, "running_a": 4, "start_window_s": 0.4 } ] },
        { "id": "kettle", "control": "observed",
          "stages": [ { "start_a": 10, "running_a": 10, "start_window_s": 0.1 } ] } ])");
    const auto told = [&] {
        std::vector<std::string> sentences;
        for (const auto& warning : configuration(file).warnings)
            sentences.push_back(sentence(warning));
        return sentences;
    };
    CHECK(told() == std::vector<std::string>{
                        "/meters/0: with a reading every 1000 ms it cannot see how high these start: Air "
                        "conditioner, Pump; what is configured counts, and is never learned to be lower; "
                        R"(give its "peak" field if it has one, or let it tell the current every 133 ms or )"
                        "sooner"});
    file["meters"][0]["period_ms"] = 166;  // three readings fall into 0.5 s
    REQUIRE(told().size() == 1);
    CHECK(told()[0].find("start: Pump;") != std::string::npos);
    file["meters"][0]["period_ms"] = 133;
    CHECK(told().empty());
    file["meters"][0]["period_ms"] = 5000;
    file["meters"][0]["peak"] = {{"topic", "meter/peak"}};
    CHECK(told().empty());
    file["meters"][0].erase("peak");
    file["loads"].erase(0);
    file["loads"].erase(0);
    CHECK(told().empty());  // a kettle has no peak to be seen

    file = example("one-leg-30a");
    file["meters"][0].erase("peak");
    file["loads"][3]["stages"][0]["start_a"] = 20;
    file["loads"][3]["stages"][0]["start_window_s"] = 0.1;
    CHECK(told().empty());  // from an adjustable load nothing is learned
    file["loads"][3]["control"] = "switched";
    file["loads"][3].erase("setting");
    CHECK(told().size() == 1);

    file = example("two-leg-50a");  // L1 holds peaks
    file["meters"][1]["period_ms"] = 1000;
    REQUIRE(told().size() == 1);
    CHECK(told()[0].starts_with("/meters/1: "));
    CHECK(told()[0].find("start: Rear air conditioner;") != std::string::npos);  // the dryer is on both
    file["meters"][0].erase("peak");
    REQUIRE(told().size() == 2);
    CHECK(told()[0].find("start: Front air conditioner, Clothes dryer;") != std::string::npos);
    CHECK(told()[1].find("start: Rear air conditioner, Clothes dryer;") != std::string::npos);
}

TEST_CASE("Every example is told without a warning") {
    for (const char* name : {"one-leg-30a", "two-leg-50a"})
        CHECK(configuration(example(name)).warnings.empty());
}

TEST_CASE("A start that is estimated from a nameplate is told as an estimate") {
    json file = example("one-leg-30a");
    json& stage = file["loads"][0]["stages"][1];
    stage.erase("start_a");
    stage["code_letter"] = "K";
    stage["horsepower"] = 1;
    const auto it = configuration(file);
    // NEC 430.7(B): 8.99 kVA per horsepower at most, at the 115 V that a motor for 120 V is rated at.
    CHECK(it.rig.loads[0].stages[1].start_a == Approx(8990.0 / 115));
    REQUIRE(it.warnings.size() == 1);
    CHECK(sentence(it.warnings[0]) ==
          "/loads/0/stages/1/start_a: is an estimate: 78.2 A (69.6 to 78.2 A) from code letter K, 1 hp at "
          "115 V; "
          "measure a start and give start_a instead");
}

TEST_CASE("Of an adjustable load only the topic and the least setting must be told") {
    json file = example("one-leg-30a");
    file["loads"][3]["setting"] = {{"topic", "charger/limit"}, {"least_a", 1.5}};
    const auto it = configuration(file);
    CHECK(it.switches[3]->setting->payload == "{setting}");
    CHECK(it.switches[3]->setting->scale == 1);
    CHECK(it.rig.loads[3].adjustment->step_a == 1);
    CHECK(it.rig.loads[3].adjustment->every == 10s);
}

TEST_CASE("Two adjustable loads are not set by the same message") {
    json file = example("one-leg-30a");
    json second = file["loads"][3];
    second["id"] = "second-charger";
    second["rank"] = 9;
    second["switch"] = {{"topic", "relay/second-charger"}};
    file["loads"].push_back(second);
    const Mistakes mistakes = mistakes_in(file.dump());
    REQUIRE(mistakes.size() == 1);
    CHECK(mistakes[0].pointer == "/loads/5/setting/topic");
    CHECK(mistakes[0].wrong.find("is taken by /loads/3/setting/topic") != std::string::npos);
    file["loads"][5]["setting"]["payload"] = R"({"second": {setting}})";
    CHECK(configuration(file).rig.loads.size() == 6);
}

TEST_CASE("Where the meter tells watts, settings are counted in watts and told in full amperes") {
    // P = V I cos phi (IEC 60050-131, from memory): 12 A at 0.65 count as 7.8 A, and the charger is told 12
    // A.
    json file = smallest();
    file["meters"][0].erase("current");
    file["meters"][0]["power"] = {{"topic", "watts"}};
    file["loads"] = json::array({{{"id", "charger"},
                                  {"rank", 1},
                                  {"control", "adjustable"},
                                  {"power_factor", 0.65},
                                  {"stages", {{{"start_a", 12}, {"running_a", 12}}}},
                                  {"switch", {{"topic", "relay"}}},
                                  {"setting", {{"topic", "limit"}, {"least_a", 4}, {"step_a", 2}}}}});
    const auto it = configuration(file);
    const auto& charger = it.rig.loads[0];
    CHECK(charger.running_a() == Approx(7.8));
    CHECK(charger.adjustment->least_a == Approx(2.6));
    CHECK(charger.adjustment->step_a == Approx(1.3));
    CHECK(charger.running_a() * it.switches[0]->setting->scale == Approx(12));
}

TEST_CASE("A load's own meter is read beside the meters of the legs, at the load's voltage") {
    const auto it = configuration(example("two-leg-50a"));
    REQUIRE(it.meters.size() == 3);
    CHECK(it.meters[2].load == rules::LoadIndex{3});
    CHECK(it.meters[2].id == "water-heater");
    CHECK(it.meters[2].leg == rules::Leg::l2);
    CHECK(it.meters[2].nominal_v == 120);
    REQUIRE(it.rig.loads[3].own_meter);
    CHECK(it.rig.loads[3].own_meter->period == 1s);
    CHECK(it.rig.loads[3].own_meter->stale_after == 3s);
    CHECK(it.rig.timing.meter_period[rules::Leg::l2] == 150ms);  // the leg's stays its own
    json file = example("two-leg-50a");
    file["loads"][2]["meter"] = {{"power", {{"topic", "plug"}}}};
    CHECK(configuration(file).meters[2].nominal_v == 240);
    file["meters"].erase(1);
    const Mistakes mistakes = mistakes_in(file.dump());
    REQUIRE(mistakes.size() == 1);  // a plug's meter is no meter of the leg
    CHECK(mistakes[0].wrong == "no meter watches L2");
}

TEST_CASE("What a load's own meter tells counts as the meter of its leg would count it") {
    // P = V I cos phi (IEC 60050-131, from memory): 936 W at 120 V and 0.65 are 12 A, and on a meter in watts
    // 7.8 A.
    for (const std::string leg : {"current", "power"}) {
        for (const std::string own : {"current", "power"}) {
            json file = with_power_factors(leg.c_str());
            file["loads"][0]["meter"] = {{own, {{"topic", "plug"}}}};
            const auto it = configuration(file);
            adapters::Meters meters(it.meters);
            std::vector<rules::MeterSample> samples;
            meters.received(rules::Instant{}, {"plug", own == "power" ? "936" : "12", false}, samples);
            REQUIRE(samples.size() == 1);
            CAPTURE(leg, own);
            CHECK(samples[0].load == rules::LoadIndex{0});
            CHECK(samples[0].current_a == Approx(it.rig.loads[0].running_a()));
        }
    }
}

TEST_CASE("After a stall a load is tried again as often as configured, by default not") {
    json file = example("one-leg-30a");
    CHECK(configuration(file).rig.loads[0].stall_retries == 0);
    file["loads"][0]["stall_retries"] = 2;
    CHECK(configuration(file).rig.loads[0].stall_retries == 2);
}

TEST_CASE("A state file is kept only where one is named") {
    json file = example("one-leg-30a");
    CHECK_FALSE(configuration(file).state_file);
    file["state_file"] = "/var/lib/ampmarshal/state.sqlite";
    CHECK(configuration(file).state_file == "/var/lib/ampmarshal/state.sqlite");
}

TEST_CASE("Leaving the loads as they are on stopping can be configured") {
    json file = smallest();
    file["on_stop"] = "leave";
    CHECK(configuration(file).on_stop == daemon::OnStop::leave);
}

TEST_CASE("What is not JSON is told with its line") {
    const auto mistakes = mistakes_in("{\n  \"rig\": {\n    \"id\": \"wren\",\n  }\n}");
    REQUIRE(mistakes.size() == 1);
    CHECK(mistakes[0].pointer.empty());
    CHECK(mistakes[0].wrong.starts_with("line 4, column 3 is not JSON: syntax error"));
    for (const char* text : {"", "{", "[1, 2", "{\"rig\": NaN}", "{\"rig\": \"\xff\"}", "{} {}", "/* "}) {
        INFO(text);
        CHECK(mistakes_in(text).size() == 1);
    }
}

TEST_CASE("A number that no computer number can hold is a mistake") {
    const auto mistakes = mistakes_in(R"({"rig": {"nominal_v": 1e400}})");
    REQUIRE(mistakes.size() == 1);
    CHECK(mistakes[0].wrong.find("1e400") != std::string::npos);
}

TEST_CASE("JSON that is no object is no configuration") {
    CHECK(sentences(mistakes_in("[]")) == "[] is not an object; write { ... } here\n");
    CHECK(mistakes_in("null").size() == 1);
}

TEST_CASE("A long value is not repeated in the message") {
    CHECK(sentences(mistakes_in("[\"" + std::string(200, '1') + "\"]")) ==
          "this array is not an object; write { ... } here\n");
}

TEST_CASE("A key that is given twice is a mistake, wherever it stands") {
    const auto mistakes =
        mistakes_in(R"({"rig": {}, "loads": [{}, {"rank": 1, "x": {"rank": 2}, "rank": 3}], "rig": 1})");
    REQUIRE(mistakes.size() == 2);
    CHECK(mistakes[0] == Mistake{"/loads/1/rank", "is given twice", "give it once"});
    CHECK(mistakes[1] == Mistake{"/rig", "is given twice", "give it once"});
}

TEST_CASE("Nesting that no configuration needs is refused without harm") {
    const std::string deep = std::string(100000, '[') + std::string(100000, ']');
    const auto mistakes = mistakes_in(R"({"loads": )" + deep + "}");
    REQUIRE(mistakes.size() == 1);
    CHECK(mistakes[0].wrong == "is nested too deeply");
    CHECK(mistakes[0].pointer.starts_with("/loads/0/0/"));
}

TEST_CASE("Comments may stand anywhere") {
    CHECK(mistakes_in("// first\n" + smallest().dump() + "/* last */").empty());
}

TEST_CASE("A file is read from disk") {
    const TemporaryFile file(smallest().dump());
    CHECK(std::holds_alternative<Configuration>(daemon::load_configuration(file.path())));
}

TEST_CASE("A file that cannot be read is told with the reason") {
    const auto missing = std::get<Mistakes>(daemon::load_configuration("/nonexistent/ampmarshal.json"));
    CHECK(sentences(missing) ==
          "cannot be read: No such file or directory; check the path and who may read it\n");
    const auto directory = std::get<Mistakes>(daemon::load_configuration("/"));
    CHECK(sentences(directory) == "cannot be read: Is a directory; check the path and who may read it\n");
}

TEST_CASE("An empty file is not JSON") {
    const TemporaryFile file("");
    const auto mistakes = std::get<Mistakes>(daemon::load_configuration(file.path()));
    CHECK(mistakes.at(0).wrong.starts_with("line 1, column 1 is not JSON"));
}

TEST_CASE("A file of more than a mebibyte is refused") {
    std::string text = smallest().dump();
    text.resize(daemon::largest_configuration_bytes, ' ');
    CHECK(mistakes_in(text).empty());
    const TemporaryFile file(text + " ");
    const auto mistakes = std::get<Mistakes>(daemon::load_configuration(file.path()));
    CHECK(sentences(mistakes) == "is larger than 1 MiB; is this the configuration?\n");
}
