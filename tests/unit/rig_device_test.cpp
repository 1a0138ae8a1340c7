// The rig on MQTT: an invented trailer with two legs, shown from snapshots, without the rules behind it. What
// is valid is judged by support/homie_convention.h, which is written from the convention.
#include "adapters/rig_device.h"

#include <algorithm>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <set>

#include "tests/support/catch.h"
#include "tests/support/homie_convention.h"
#include "tests/support/retaining_link.h"

namespace {

using namespace ampmarshal;
using namespace ampmarshal::adapters;
using namespace std::chrono_literals;
using rules::LoadState;
using rules::ReasonKind;
using tests::RetainingLink;
namespace convention = tests::homie_convention;

const convention::Faults no_faults;

const std::string base = "homie/5/heron";

rules::Instant at(rules::Duration d) {
    return rules::Instant(d);
}

rules::Load load(std::string id, std::string name, int rank, rules::Control control) {
    return {.id = std::move(id),
            .name = std::move(name),
            .legs = rules::LegSet(rules::Leg::l1),
            .rank = rank,
            .control = control,
            .stages = {{"all", 30, 500ms, 12, 1s}}};
}

rules::Limit limit(std::string name, rules::LegSet legs, double amperes) {
    return {
        .name = std::move(name), .legs = legs, .ceiling_a = 3 * amperes, .steady_a = amperes, .images = {}};
}

rules::Rig heron() {
    using rules::Leg;
    using rules::LegSet;
    return {.name = "Heron",
            .legs = LegSet::both(),
            .sources = {{"pedestal",
                         "Pedestal",
                         120,
                         rules::Feed::two_legs,
                         {limit("50 A breaker, L1", LegSet(Leg::l1), 50),
                          limit("50 A breaker, L2", LegSet(Leg::l2), 50)}},
                        {"driveway",
                         "Driveway",
                         120,
                         rules::Feed::shared_by_legs,
                         {limit("15 A breaker", LegSet::both(), 15)}}},
            .loads = {load("front-ac", "Front air conditioner", 1, rules::Control::permitted),
                      load("water-heater", "Water heater", 2, rules::Control::switched),
                      load("microwave", "Microwave", 0, rules::Control::observed)},
            .timing = {}};
}

RigSnapshot evening() {
    RigSnapshot s{};
    s.source = 0;
    s.legs[rules::Leg::l1] = {14.26, 118.4, 33.2, 71.0};
    s.legs[rules::Leg::l2] = {3.0, 119.9, 44.5, 90.0};
    s.steady_headroom_a = 33.2;
    s.start_headroom_a = 71.0;
    s.loads = {{LoadState::running, true, false, 12.0, ReasonKind::fits, "Runs on the pedestal."},
               {LoadState::waiting, true, false, 0.0, ReasonKind::another_start, "Waits for a start."},
               {LoadState::off, false, false, 0.0, ReasonKind::none, ""}};
    return s;
}

struct Heron {
    Heron() { device.link_up(shown, at(0s), link); }

    std::string value(const std::string& below) const {
        return link.kept(base + "/" + below).value_or("(none)");
    }
    void refresh(rules::Duration when) { device.refresh(shown, at(when), link); }

    std::vector<rules::Event> set(const std::string& below, std::string_view payload) {
        std::vector<rules::Event> events;
        complaint = device.received(at(9s), {base + "/" + below + "/set", payload, false}, events);
        return events;
    }
    template <class Event>
    Event only(const std::vector<rules::Event>& events) const {
        REQUIRE(events.size() == 1);
        REQUIRE(std::holds_alternative<Event>(events[0]));
        return std::get<Event>(events[0]);
    }

    rules::Rig rig = heron();
    RigDevice device{{"homie", "heron", "Heron", 3}, rig};
    RetainingLink link;
    RigSnapshot shown = evening();
    std::string complaint;
};

}  // namespace

TEST_CASE("a controller finds the whole rig valid by the convention", "[rig_device]") {
    const Heron h;
    CHECK(convention::device_faults(h.link.retained, base) == no_faults);
    const auto d = nlohmann::json::parse(h.value("$description"));
    for (const char* node : {"source", "rig", "front-ac", "water-heater", "microwave"})
        CHECK(d["nodes"].contains(node));
    CHECK(d["nodes"]["source"]["properties"]["present"]["format"] == "unknown,pedestal,driveway");
    CHECK(h.value("$state") == "ready");
    CHECK(h.device.will_topic() == base + "/$state");
}

TEST_CASE("what can be set is the source, a stop of everything, and what people ask of the controlled loads",
          "[rig_device]") {
    const Heron h;
    std::vector<std::string> settable;
    const auto d = nlohmann::json::parse(h.value("$description"));
    for (const auto& [node, described] : d["nodes"].items()) {
        for (const auto& [id, property] : described["properties"].items()) {
            if (property.value("settable", false))
                settable.push_back(std::string(node).append("/").append(id));
        }
    }
    std::sort(settable.begin(), settable.end());
    CHECK(settable == std::vector<std::string>{"front-ac/acknowledge", "front-ac/demand", "front-ac/forget",
                                               "front-ac/hold", "front-ac/prefer", "microwave/forget",
                                               "rig/stop-all", "source/present", "water-heater/acknowledge",
                                               "water-heater/demand", "water-heater/forget",
                                               "water-heater/hold", "water-heater/prefer"});
}

TEST_CASE("the description does not change with the source", "[rig_device]") {
    // Homie convention v5: it may change only outside ready, and then its version must rise.
    Heron h;
    const std::string before = h.value("$description");
    h.link.forget();
    h.shown.source.reset();
    h.refresh(1s);
    h.shown.source = 1;
    h.refresh(2s);
    CHECK(h.value("source/present") == "driveway");
    CHECK(h.link.sent_to(base + "/$description").empty());
    CHECK(h.value("$description") == before);
}

TEST_CASE("the source node shows readings, headrooms and the time to trip", "[rig_device]") {
    Heron h;
    CHECK(h.value("source/present") == "pedestal");
    CHECK(h.value("source/current-l1") == "14.3");
    CHECK(h.value("source/voltage-l2") == "119.9");
    CHECK(h.value("source/metered-l1") == "true");
    CHECK(h.value("source/headroom-steady") == "33.2");
    CHECK(h.value("source/headroom-start") == "71.0");
    CHECK(h.value("source/headroom-steady-l2") == "44.5");
    CHECK(h.value("source/headroom-start-l2") == "90.0");
    CHECK(h.value("source/time-to-trip") == "86400");  // never
    h.shown.time_to_trip = 90s + 900ms;
    h.refresh(1s);
    CHECK(h.value("source/time-to-trip") == "90");
    h.shown.time_to_trip = rules::Duration::max();
    h.refresh(2s);
    CHECK(h.value("source/time-to-trip") == "86400");
}

TEST_CASE("a silent meter shows no current, and says that it is silent", "[rig_device]") {
    Heron h;
    h.shown.legs[rules::Leg::l1].current_a.reset();
    h.shown.legs[rules::Leg::l1].voltage_v.reset();
    h.refresh(1ms);
    CHECK(h.value("source/current-l1") == "(none)");
    CHECK(h.value("source/voltage-l1") == "(none)");
    CHECK(h.value("source/metered-l1") == "false");
    CHECK(h.value("source/metered-l2") == "true");
}

TEST_CASE("a rig with one leg shows one leg, and its headroom once", "[rig_device]") {
    rules::Rig rig = heron();
    rig.legs = rules::LegSet(rules::Leg::l1);
    RigDevice device({"homie", "heron", "Heron", 3}, rig);
    RetainingLink link;
    device.link_up(evening(), at(0s), link);
    CHECK(link.kept(base + "/source/current-l1"));
    CHECK_FALSE(link.kept(base + "/source/current-l2"));
    CHECK_FALSE(link.kept(base + "/source/headroom-steady-l1"));
    CHECK(convention::device_faults(link.retained, base) == no_faults);
}

TEST_CASE("a load shows its state, and why in a word and in a sentence", "[rig_device]") {
    Heron h;
    CHECK(h.value("front-ac/state") == rules::word(LoadState::running));
    CHECK(h.value("front-ac/current") == "12.0");
    CHECK(h.value("water-heater/reason") == rules::word(ReasonKind::another_start));
    CHECK(h.value("water-heater/sentence") == "Waits for a start.");
    CHECK(h.value("water-heater/demand") == "true");
    CHECK(h.value("water-heater/hold") == "false");
    CHECK(h.value("microwave/sentence") == std::string(1, '\0'));
    CHECK(h.value("microwave/demand") == "(none)");
    h.shown.loads[1].held = true;
    h.shown.loads[1].wanted = false;
    h.refresh(1ms);
    CHECK(h.value("water-heater/demand") == "false");
    CHECK(h.value("water-heater/hold") == "true");
}

TEST_CASE("every state of a load is one that the description lists", "[rig_device]") {
    Heron h;
    for (const LoadState state :
         {LoadState::running, LoadState::starting, LoadState::permitted, LoadState::waiting,
          LoadState::resting, LoadState::shed, LoadState::off, LoadState::locked_out}) {
        h.shown.loads[0].state = state;
        h.refresh(1ms);
        CHECK(h.value("front-ac/state") == rules::word(state));
        CHECK(h.value("front-ac/locked-out") == (state == LoadState::locked_out ? "true" : "false"));
        CHECK(convention::device_faults(h.link.retained, base) == no_faults);
    }
}

TEST_CASE("a countdown in a sentence goes out at its pace, a new state at once", "[rig_device]") {
    Heron h;
    h.refresh(10s);
    h.link.forget();
    for (int i = 0; i < 20; ++i) {  // five seconds of ticks
        h.shown.loads[1].sentence = "Rests for " + std::to_string(100 - i) + " s.";
        h.refresh(10s + i * 250ms);
    }
    CHECK(h.link.sent_to(base + "/water-heater/sentence").size() == 5);
    h.shown.loads[1].state = LoadState::starting;
    h.shown.loads[1].sentence = "Starts.";
    h.refresh(15s);
    CHECK(h.value("water-heater/state") == rules::word(LoadState::starting));
    h.refresh(16s);
    CHECK(h.value("water-heater/sentence") == "Starts.");
}

TEST_CASE("setting the source tells the rules where the rig is plugged in", "[rig_device]") {
    Heron h;
    CHECK(h.only<rules::SourceChanged>(h.set("source/present", "driveway")).source == 1U);
    CHECK(h.only<rules::SourceChanged>(h.set("source/present", "unknown")).source == std::nullopt);
    CHECK(h.only<rules::SourceChanged>(h.set("source/present", "pedestal")).at == at(9s));
}

TEST_CASE("setting demand and hold tells the rules which load and what", "[rig_device]") {
    Heron h;
    const auto wanted = h.only<rules::DemandChanged>(h.set("water-heater/demand", "true"));
    CHECK(wanted.load == 1);
    CHECK(wanted.wanted);
    CHECK_FALSE(h.only<rules::DemandChanged>(h.set("front-ac/demand", "false")).wanted);
    const auto hold = h.only<rules::OperatorRequest>(h.set("front-ac/hold", "true"));
    CHECK(hold.load == 0);
    CHECK(hold.request == rules::Request::hold);
    CHECK(h.only<rules::OperatorRequest>(h.set("front-ac/hold", "false")).request == rules::Request::release);
    CHECK(h.complaint.empty());
    CHECK(h.device.ignored() == 0);
}

TEST_CASE("a person stops everything, and lets it go on", "[rig_device]") {
    Heron h;
    CHECK(h.value("rig/stop-all") == "false");
    CHECK(h.only<rules::StopEverything>(h.set("rig/stop-all", "true")).stop);
    CHECK_FALSE(h.only<rules::StopEverything>(h.set("rig/stop-all", "false")).stop);
    h.shown.stopped = true;
    h.refresh(1ms);
    CHECK(h.value("rig/stop-all") == "true");
}

TEST_CASE("a load is preferred for so many minutes, which count down to 0", "[rig_device]") {
    Heron h;
    CHECK(h.value("water-heater/prefer") == "0");
    const auto asked = h.only<rules::OperatorRequest>(h.set("water-heater/prefer", "90"));
    CHECK(asked.load == 1);
    CHECK(asked.request == rules::Request::prefer);
    CHECK(asked.until == at(9s + 90min));
    CHECK(h.only<rules::OperatorRequest>(h.set("water-heater/prefer", "0")).until == at(9s));
    CHECK(h.only<rules::OperatorRequest>(h.set("water-heater/prefer", "1440")).until == at(9s + 24h));
    const std::pair<rules::Duration, const char*> shown[] = {
        {90min, "90"}, {89min + 1us, "90"}, {89min, "89"}, {1us, "1"}, {72h, "1440"}, {-1s, "0"}};
    for (const auto& [left, minutes] : shown) {
        h.shown.loads[1].preferred_for = left;
        h.refresh(1ms);
        CHECK(h.value("water-heater/prefer") == minutes);
    }
    CHECK(convention::device_faults(h.link.retained, base) == no_faults);
}

TEST_CASE("only an adjustable load shows what it may draw", "[rig_device]") {
    rules::Rig rig = heron();
    rig.loads[1].adjustment = rules::Adjustment{2, 1, 10s};
    RigDevice device({"homie", "heron", "Heron", 3}, rig);
    RetainingLink link;
    RigSnapshot shown = evening();
    shown.loads[1].setting_a = 5.56;
    device.link_up(shown, at(0s), link);
    CHECK(link.kept(base + "/water-heater/setting") == "5.6");
    CHECK_FALSE(link.kept(base + "/front-ac/setting"));
    CHECK(link.kept(base + "/front-ac/starts-seen"));
    CHECK_FALSE(link.kept(base + "/water-heater/starts-seen"));  // it teaches nothing
    CHECK(convention::device_faults(link.retained, base) == no_faults);
    const auto alert =
        rules::AlertRaised{rules::AlertKind::not_adjusted, 1, {.kind = ReasonKind::turned_down}};
    CHECK(alert_sentence(alert, rig, 0, at(1s)) == "Water heater: was turned down, and its current stays");
}

TEST_CASE("a load shows how many starts it was learned from and what is usual of them, when there are more",
          "[rig_device]") {
    Heron h;
    CHECK(h.value("front-ac/starts-seen") == "0");
    CHECK(h.value("front-ac/usual-start") == "(none)");
    CHECK(h.value("microwave/starts-seen") == "0");
    h.shown.loads[0].starts_seen = 12;
    h.shown.loads[0].usual_start_a = 43.26;
    h.refresh(1ms);
    CHECK(h.value("front-ac/starts-seen") == "12");
    CHECK(h.value("front-ac/usual-start") == "43.3");
    CHECK(convention::device_faults(h.link.retained, base) == no_faults);
    h.link.forget();
    h.shown.loads[0].drawn_a += 1;
    h.refresh(10s);
    CHECK(h.link.sent_to(base + "/front-ac/current").size() == 1);
    CHECK(h.link.sent_to(base + "/front-ac/starts-seen").empty());
    CHECK(h.link.sent_to(base + "/front-ac/usual-start").empty());
}

TEST_CASE("that a load's starts are to be forgotten tells the rules so, and shows once", "[rig_device]") {
    Heron h;
    const std::pair<const char*, rules::LoadIndex> loads[] = {{"front-ac/forget", 0},
                                                              {"microwave/forget", 2}};
    for (const auto& [below, index] : loads) {
        const auto asked = h.only<rules::OperatorRequest>(h.set(below, "forget"));
        CHECK(asked.request == rules::Request::forget);
        CHECK(asked.load == index);
        CHECK(h.link.sent_to(base + "/" + below).empty());
        h.refresh(1s);
        h.refresh(2s);
        CHECK(h.link.sent_to(base + "/" + below) == std::vector<std::string>{"forget"});
        CHECK(h.link.kept(base + "/" + below) == std::nullopt);
    }
    CHECK(h.complaint.empty());
}

TEST_CASE("the usual start of a load is that of its highest stage, of the starts that were seen whole",
          "[rig_device]") {
    rules::Rig rig = heron();
    rig.loads[0].stages = {{"fan", 5, 400ms, 2, 5s}, {"compressor", 46, 500ms, 10, 20s}};
    rules::Marshal marshal(rig, 0, at(0s));
    Snapshots snapshots(marshal);
    const auto start = [](double peak_a, bool saw_peak) {
        return rules::SeenStart{
            .peak_a = peak_a, .running_a = 10, .lasted = 300ms, .period = 50ms, .saw_peak = saw_peak};
    };
    const auto shown = [&] {
        const auto& taken = snapshots.take({}, at(1s)).loads[0];
        const auto whole = snapshot(marshal, at(1s)).loads[0];
        CHECK(taken.starts_seen == whole.starts_seen);
        CHECK(taken.usual_start_a == whole.usual_start_a);
        return std::pair(taken.starts_seen, taken.usual_start_a);
    };
    CHECK(shown() == std::pair(std::uint64_t{0}, std::optional<double>{}));
    rules::StageProfile fan(rig.loads[0].stages[0]);
    fan.learn(start(5, true));
    marshal.recall(0, 0, fan.memory());
    CHECK(shown() == std::pair(std::uint64_t{0}, std::optional<double>{}));
    rules::StageProfile compressor(rig.loads[0].stages[1]);
    compressor.learn(start(30, false));
    marshal.recall(0, 1, compressor.memory());
    CHECK(shown() == std::pair(std::uint64_t{1}, std::optional<double>{}));
    for (const double peak_a : {44.0, 41.0, 60.0})
        compressor.learn(start(peak_a, true));
    marshal.recall(0, 1, compressor.memory());
    CHECK(shown() == std::pair(std::uint64_t{4}, std::optional(44.0)));
    marshal.on(rules::OperatorRequest{at(2s), 0, rules::Request::forget});
    CHECK(shown() == std::pair(std::uint64_t{0}, std::optional<double>{}));
}

TEST_CASE("a demand that was set shows as soon as the rules have taken it", "[rig_device]") {
    Heron h;
    h.link.forget();
    h.set("water-heater/demand", "true");  // it was true already
    h.refresh(1s);
    CHECK(h.link.sent_to(base + "/water-heater/demand") == std::vector<std::string>{"true"});
}

TEST_CASE("an acknowledgement shows once, when the lockout has ended", "[rig_device]") {
    Heron h;
    h.shown.loads[0].state = LoadState::locked_out;
    h.refresh(1s);
    CHECK(h.only<rules::OperatorRequest>(h.set("front-ac/acknowledge", "acknowledge")).request ==
          rules::Request::acknowledge);
    h.refresh(2s);
    CHECK(h.link.sent_to(base + "/front-ac/acknowledge").empty());
    h.shown.loads[0].state = LoadState::resting;
    h.refresh(3s);
    h.refresh(4s);
    CHECK(h.link.sent_to(base + "/front-ac/acknowledge") == std::vector<std::string>{"acknowledge"});
    CHECK(h.link.kept(base + "/front-ac/acknowledge") == std::nullopt);
}

TEST_CASE("what cannot be set is ignored, counted, and named in one line", "[rig_device]") {
    Heron h;
    std::uint64_t ignored = 0;
    const std::pair<const char*, const char*> garbage[] = {{"source/present", "the moon"},
                                                           {"source/present", "Pedestal"},
                                                           {"source/current-l1", "0"},
                                                           {"front-ac/demand", "yes"},
                                                           {"front-ac/demand", ""},
                                                           {"front-ac/state", "running"},
                                                           {"front-ac/acknowledge", "true"},
                                                           {"microwave/demand", "true"},
                                                           {"front-ac/locked-out", "false"},
                                                           {"no-such-load/demand", "true"},
                                                           {"front-ac/nothing", "\x01\n\x7f"},
                                                           {"rig/stop-all", "now"},
                                                           {"front-ac/prefer", "-1"},
                                                           {"front-ac/prefer", "1441"},
                                                           {"front-ac/prefer", "12.5"},
                                                           {"front-ac/prefer", ""},
                                                           {"front-ac/prefer", "99999999999999999999"},
                                                           {"front-ac/setting", "3"},
                                                           {"microwave/prefer", "10"},
                                                           {"front-ac/forget", "true"},
                                                           {"front-ac/forget", ""},
                                                           {"front-ac/starts-seen", "0"},
                                                           {"front-ac/usual-start", "30"},
                                                           {"no-such-load/forget", "forget"}};
    for (const auto& [below, payload] : garbage) {
        INFO(below);
        CHECK(h.set(below, payload).empty());
        CHECK(h.device.ignored() == ++ignored);
        CHECK(h.complaint.find(below) != std::string::npos);
        CHECK(h.complaint.find('\n') == std::string::npos);
    }
}

TEST_CASE("a retained command is of unknown age and starts nothing", "[rig_device]") {
    Heron h;
    std::vector<rules::Event> events;
    const std::string why = h.device.received(at(1s), {base + "/front-ac/demand/set", "true", true}, events);
    CHECK(events.empty());
    CHECK(why.find("unknown age") != std::string::npos);
}

TEST_CASE("messages for others are left alone", "[rig_device]") {
    Heron h;
    std::vector<rules::Event> events;
    CHECK(h.device.received(at(1s), {"homie/5/egret/front-ac/demand/set", "x", false}, events).empty());
    CHECK(events.empty());
    CHECK(h.device.ignored() == 0);
    CHECK(h.device.topics() == std::vector<std::string>{base + "/+/+/set", base + "/$alert/+"});
}

TEST_CASE("alerts of the rig and of a load stand until they are cleared", "[rig_device]") {
    Heron h;
    const std::vector<rules::Action> raised{
        rules::AlertRaised{
            rules::AlertKind::trip_nears, std::nullopt, {.limit = 1, .needed_a = 47, .available_a = 47.5}},
        rules::AlertRaised{rules::AlertKind::stall, 0, {.kind = ReasonKind::locked_out_stall}},
        rules::LoadChanged{0}};
    h.device.apply(raised, h.shown, at(1s), h.link);
    CHECK(h.value("$alert/trip-nears") ==
          "Heron: close to what 50 A breaker, L2 carries (47.0 A of 47.5 A) for long");
    const std::string stall = rules::sentence({.kind = ReasonKind::locked_out_stall}, h.rig, 0, at(1s));
    CHECK(h.value("$alert/stall-front-ac") == "Front air conditioner: " + stall);
    CHECK(convention::device_faults(h.link.retained, base) == no_faults);

    const std::vector<rules::Action> cleared{rules::AlertCleared{rules::AlertKind::stall, 0},
                                             rules::AlertCleared{rules::AlertKind::trip_nears, std::nullopt}};
    h.device.apply(cleared, h.shown, at(2s), h.link);
    CHECK(h.value("$alert/stall-front-ac") == "(none)");
    CHECK(h.value("$alert/trip-nears") == "(none)");
}

TEST_CASE("an alert of the whole rig reads well even where no number and no source is known",
          "[rig_device]") {
    const rules::Rig rig = heron();
    const auto text = [&](rules::AlertKind kind, ReasonKind why) {
        return alert_sentence({kind, std::nullopt, {.kind = why}}, rig, std::nullopt, at(1s));
    };
    CHECK(text(rules::AlertKind::overload, ReasonKind::shed_ceiling) ==
          "Heron: more than the source carries, and nothing more can be shed");
    CHECK(text(rules::AlertKind::trip_nears, ReasonKind::steady_full) ==
          "Heron: close to what the source carries for long");
    CHECK(alert_sentence({rules::AlertKind::overload, std::nullopt, {.limit = 1}}, rig, 1, at(1s)) ==
          text(rules::AlertKind::overload, ReasonKind::shed_ceiling));  // the driveway has one limit only
    CHECK(text(rules::AlertKind::meter_silent, ReasonKind::waits_for_meter) ==
          "Heron: a meter is silent, so every load on its leg is counted at its worst");
    CHECK(text(rules::AlertKind::supply_lost, ReasonKind::supply_lost) ==
          "Heron: " + rules::sentence({.kind = ReasonKind::supply_lost}, rig, std::nullopt, at(1s)));
}

/// With the reasons that the rules raise them with.
constexpr std::pair<rules::AlertKind, ReasonKind> all_alerts[] = {
    {rules::AlertKind::overload, ReasonKind::start_too_hot},
    {rules::AlertKind::trip_nears, ReasonKind::steady_full},
    {rules::AlertKind::start_tight, ReasonKind::none},
    {rules::AlertKind::stall, ReasonKind::locked_out_stall},
    {rules::AlertKind::disobedience, ReasonKind::locked_out_disobedience},
    {rules::AlertKind::meter_silent, ReasonKind::waits_for_meter},
    {rules::AlertKind::supply_lost, ReasonKind::supply_lost},
    {rules::AlertKind::did_not_start, ReasonKind::did_not_start},
    {rules::AlertKind::low_voltage, ReasonKind::none},
    {rules::AlertKind::high_voltage, ReasonKind::none},
    {rules::AlertKind::low_frequency, ReasonKind::none},
    {rules::AlertKind::open_neutral, ReasonKind::locked_out_neutral},
    {rules::AlertKind::battery_low, ReasonKind::battery_low},
    {rules::AlertKind::departed, ReasonKind::none}};

TEST_CASE("the contract on topics names every alert and every state of a load", "[rig_device]") {
    std::ifstream page(AMPMARSHAL_TOPICS_PAGE);
    std::set<std::string> rows;  // the first word of each row of its tables
    std::string state_row;
    for (std::string line; std::getline(page, line);) {
        if (!line.starts_with("| `")) continue;
        rows.insert(line.substr(3, line.find('`', 3) - 3));
        if (line.starts_with("| `state` ")) state_row = line;
    }
    for (const auto& [kind, why] : all_alerts) {
        std::string id = word(kind);
        std::replace(id.begin(), id.end(), '_', '-');
        INFO(id);
        CHECK(rows.contains(id));
    }
    for (const LoadState state :
         {LoadState::running, LoadState::starting, LoadState::permitted, LoadState::waiting,
          LoadState::resting, LoadState::shed, LoadState::off, LoadState::locked_out}) {
        INFO(word(state));
        CHECK(state_row.find('`' + std::string(word(state)) + '`') != std::string::npos);
    }
}

TEST_CASE("every alert is a whole sentence, whatever is known of limit, load and figures", "[rig_device]") {
    using rules::AlertKind;
    // A figure may be without end where nothing limits it.
    const rules::Rig rig = heron();
    constexpr double endless = std::numeric_limits<double>::infinity();
    const auto whole = [](const std::string& text) {
        INFO(text);
        for (const char* torn : {"  ", "( A", "of A", " ,", "inf", "nan", "()"})
            CHECK(text.find(torn) == std::string::npos);
        CHECK_FALSE(text.ends_with(": "));
        CHECK(text.size() > std::string("Front air conditioner: ").size());
    };
    for (const auto& [kind, why] : all_alerts)
        for (const auto& load : {std::optional<rules::LoadIndex>{}, std::optional<rules::LoadIndex>{0}})
            for (const auto& source : {std::optional<rules::SourceIndex>{}, {0}, {1}})
                for (const auto& limit : {std::optional<std::size_t>{}, std::optional<std::size_t>{1}})
                    for (const double available_a : {0.0, 47.5, endless}) {
                        const rules::Reason reason{
                            .kind = why, .limit = limit, .needed_a = 60.4, .available_a = available_a};
                        rules::AlertRaised alert{kind, load, reason};
                        if (kind == AlertKind::departed) {  // always of a load, and with figures
                            alert.load = 0;
                            alert.departure = {rules::Figure::peak, 31, 44};
                        }
                        whole(alert_sentence(alert, rig, source, at(1s)));
                    }
    const rules::Reason endless_heat{.limit = 1, .needed_a = 60.4, .available_a = endless};
    CHECK(alert_sentence({AlertKind::overload, std::nullopt, endless_heat}, rig, 0, at(1s)) ==
          "Heron: more than 50 A breaker, L2 carries (60.4 A), and nothing more can be shed");
    const rules::Reason unknown{.limit = 1, .needed_a = endless, .available_a = endless};
    CHECK(alert_sentence({AlertKind::overload, std::nullopt, unknown}, rig, 0, at(1s)) ==
          "Heron: more than 50 A breaker, L2 carries, and nothing more can be shed");
}

TEST_CASE("a broker that forgot everything gets everything again", "[rig_device]") {
    Heron h;
    const std::vector<rules::Action> raised{
        rules::AlertRaised{rules::AlertKind::meter_silent, std::nullopt, {}}};
    h.device.apply(raised, h.shown, at(1s), h.link);
    const auto before = h.link.retained;
    h.link.retained.clear();
    h.device.link_up(h.shown, at(2s), h.link);
    CHECK(h.link.retained == before);
}

TEST_CASE("a clean stop leaves the device disconnected", "[rig_device]") {
    Heron h;
    h.device.stop(at(1s), h.link);
    CHECK(h.value("$state") == "disconnected");
}

TEST_CASE("ids that would clash on MQTT are refused with the remedy", "[rig_device]") {
    CHECK(load_id_fault("front-ac").empty());
    CHECK(load_id_fault("source").find("another id") != std::string::npos);
    CHECK(load_id_fault("rig").find("another id") != std::string::npos);
    CHECK(load_id_fault("Front AC").find("a-z") != std::string::npos);
    CHECK(source_id_fault("pedestal").empty());
    CHECK(source_id_fault("unknown").find("another id") != std::string::npos);
    CHECK(source_id_fault("a,b").find("a-z") != std::string::npos);
}

TEST_CASE("a snapshot takes the smallest headroom of the limits that touch a leg", "[rig_device]") {
    rules::Marshal marshal(heron(), 0, at(0s));
    marshal.on(
        rules::MeterSample{.at = at(1s), .leg = rules::Leg::l1, .current_a = 20.0, .voltage_v = 118.0});
    marshal.on(rules::MeterSample{.at = at(1s), .leg = rules::Leg::l2, .current_a = 5.0});
    const RigSnapshot s = snapshot(marshal, at(1s));
    CHECK(s.source == 0U);
    CHECK(s.legs[rules::Leg::l1].current_a == 20.0);
    CHECK(s.legs[rules::Leg::l1].voltage_v == 118.0);
    CHECK(s.legs[rules::Leg::l1].steady_headroom_a == marshal.limits()[0].steady_headroom_a);
    CHECK(s.legs[rules::Leg::l2].start_headroom_a == marshal.limits()[1].start_headroom_a);
    CHECK(s.steady_headroom_a ==
          std::min(marshal.limits()[0].steady_headroom_a, marshal.limits()[1].steady_headroom_a));
    CHECK(s.start_headroom_a ==
          std::min(marshal.limits()[0].start_headroom_a, marshal.limits()[1].start_headroom_a));
    CHECK(s.loads.size() == 3);
    CHECK(s.loads[0].wanted == marshal.load(0).wanted);
}

TEST_CASE("a snapshot takes the time to trip of the limit that trips first", "[rig_device]") {
    rules::Rig rig = heron();
    for (rules::Limit& limit : rig.sources[0].limits)
        limit.images = {{limit.steady_a, 60s}};
    rules::Marshal marshal(rig, 0, at(0s));
    marshal.on(rules::MeterSample{.at = at(1s), .leg = rules::Leg::l1, .current_a = 60.0});
    marshal.on(rules::MeterSample{.at = at(1s), .leg = rules::Leg::l2, .current_a = 90.0});
    REQUIRE(marshal.limits()[1].time_to_trip < marshal.limits()[0].time_to_trip);
    CHECK(snapshot(marshal, at(1s)).time_to_trip == marshal.limits()[1].time_to_trip);
}

TEST_CASE("in a row of snapshots a sentence is new when its load changed, the source did, or it counts down",
          "[rig_device]") {
    rules::Rig rig = heron();
    rig.loads[0].minimum_off = 60s;
    rig.timing.stale_after = {{1h, 1h}};
    rules::Marshal marshal(rig, 0, at(0s));
    Snapshots snapshots(marshal);
    std::vector<rules::Action> since;
    const auto tell = [&](const rules::Event& event) {
        const auto actions = marshal.on(event);
        since.insert(since.end(), actions.begin(), actions.end());
    };
    const auto sentence_at = [&](rules::Duration when) {
        const RigSnapshot whole = snapshot(marshal, at(when));
        const RigSnapshot& taken = snapshots.take(std::exchange(since, {}), at(when));
        CHECK(taken.loads[0].reason == whole.loads[0].reason);
        CHECK(taken.steady_headroom_a == whole.steady_headroom_a);
        CHECK(taken.legs[rules::Leg::l1].current_a == whole.legs[rules::Leg::l1].current_a);
        CHECK(taken.loads[0].sentence == whole.loads[0].sentence);
        return taken.loads[0].sentence;
    };
    sentence_at(0s);
    tell(rules::LinkChanged{at(1s), true});
    for (const rules::Leg leg : rules::all_legs)
        tell(rules::MeterSample{.at = at(1s), .leg = leg, .current_a = 1});
    for (auto when = 2s; when < 60s; when += when < 5s ? 1s : 5s) {
        tell(rules::Tick{at(when)});
        CHECK(sentence_at(when).starts_with("rests before its next start for another"));
    }
    tell(rules::SourceChanged{at(61s), 1});
    sentence_at(61s);
}

TEST_CASE("a limit over both legs counts on each", "[rig_device]") {
    rules::Marshal marshal(heron(), 1, at(0s));
    const RigSnapshot s = snapshot(marshal, at(1s));
    CHECK(s.legs[rules::Leg::l1].steady_headroom_a == s.steady_headroom_a);
    CHECK(s.legs[rules::Leg::l2].steady_headroom_a == s.steady_headroom_a);
}

TEST_CASE("on an unknown source there is no headroom", "[rig_device]") {
    rules::Marshal marshal(heron(), std::nullopt, at(0s));
    const RigSnapshot s = snapshot(marshal, at(1s));
    CHECK(s.source == std::nullopt);
    CHECK(s.steady_headroom_a == 0);
    CHECK(s.legs[rules::Leg::l1].start_headroom_a == 0);
    CHECK(s.time_to_trip == std::nullopt);
}
