// What a small mistake in the rules would change, and no other test would notice: found by making such
// mistakes on purpose (tests/mutation). Currents are invented.
#include <algorithm>
#include <cmath>

#include "rules/impedance.h"
#include "rules/learned_starts.h"
#include "rules/leg_watch.h"
#include "rules/standing.h"
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

int changes(std::span<const Action> actions) {
    return static_cast<int>(std::count_if(actions.begin(), actions.end(), [](const Action& action) {
        return std::holds_alternative<LoadChanged>(action);
    }));
}

}  // namespace

TEST_CASE("when a start does not settle and two may be the one, only those two go") {
    Stand s(rig_of({breaker(100, Feed::two_legs)},
                   {motor("runs", 1, 60, 20), motor("one", 2, 46, 10), motor("another", 3, 44, 10.5),
                    motor("elsewhere", 4, 46, 10, LegSet(Leg::l2)), resistive("heater", 5, 10),
                    motor("held", 6, 46, 10), observed("microwave", 10)},
                   LegSet::both()));
    s.send(OperatorRequest{s.now, 5, Request::hold});
    s.settle(1, 60s);
    for (const LoadIndex i : {0U, 1U, 2U, 3U, 4U})
        REQUIRE(s.on(i));
    s.read(56, 200ms);
    s.read(21, 3s);
    REQUIRE(s.state(0) == "running");
    s.read(61, 3s);
    CHECK(s.why(1) == "shed_start_lost");
    CHECK_FALSE(s.on(1));
    CHECK_FALSE(s.on(2));
    CHECK(s.on(0));
    CHECK(s.on(3));
    CHECK(s.on(4));
    CHECK(s.why(5) == "held_by_person");
    CHECK(s.why(6) == "none");
}

TEST_CASE("the level of a leg follows a current that wanders slowly, and a slow rise is no step") {
    LegWatch watch(100ms);
    Instant now{};
    for (int reading = 0; reading <= 400; ++reading) {
        const auto steps = watch.sample(now += 100ms, 1 + 0.02 * reading, std::nullopt, 1s);
        CHECK_FALSE(steps.first);
        CHECK_FALSE(watch.moving());
    }
    CHECK(watch.level_a() == Approx(9).margin(0.3));
}

TEST_CASE("a rise that outlives every start, and a fall below where it began, are two steps") {
    const int plateau_readings =
        GENERATE(7, 6);  // of 700 ms that a start may take at most, seen from outside
    CAPTURE(plateau_readings);
    LegWatch watch(100ms);
    Instant now{};
    LegWatch::Steps steps;
    const auto read = [&](double current_a, int readings) {
        for (int n = 0; n < readings && !steps.first; ++n)
            steps = watch.sample(now += 100ms, current_a, std::nullopt, 700ms);
    };
    read(20, 5);
    read(26, plateau_readings);
    read(14, 5);
    REQUIRE(steps.first);
    REQUIRE(steps.second.has_value() == (plateau_readings == 7));
    CHECK(steps.first->rise_a() == Approx(steps.second ? 6 : -6));
    if (steps.second) CHECK(steps.second->rise_a() == Approx(-12));
}

TEST_CASE("a peak between two readings that lie below is no level of its own, whatever may stand below") {
    LegWatch watch(1s);
    Instant now{};
    watch.sample(now += 1s, 20, std::nullopt, 0s);
    watch.sample(now += 1s, 50, std::nullopt, 3s);
    watch.sample(now += 1s, 16, std::nullopt, 0s);  // below, no start is waited for
    const auto steps = watch.sample(now += 1s, 16, std::nullopt, 0s);
    REQUIRE(steps.first);
    CHECK_FALSE(steps.second);
    CHECK(steps.first->peak_a == 50);
    CHECK(steps.first->rise_a() == Approx(-4));
}

TEST_CASE("an impedance is not believed before its error is small, or small beside it") {
    // Four steps of 2 A, each off by so many volts: the standard error of the slope is sqrt(4 e^2 / 3 / 16),
    // with a little less for the older ones.
    const auto learned = [](double ohm, double off_by_v) {
        SourceImpedance impedance;
        for (const double sign : {1, -1, 1, -1})
            impedance.add(2, -2 * ohm + sign * off_by_v);
        return impedance.ohm();
    };
    CHECK(learned(0.05, 0.05));
    CHECK_FALSE(learned(0.05, 0.15));  // 0.04 ohm
    CHECK(learned(0.4, 0.3));
    CHECK_FALSE(learned(0.4, 0.7));  // half of it
}

TEST_CASE("a switch that says on a moment after it was told off has not heard it yet") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 10s);
    REQUIRE(s.on(0));
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(1, 60s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    CHECK_FALSE(s.on(0));
    CHECK(s.read(1, 500ms).empty());
    CHECK(s.send(SwitchFeedback{s.now, 0, true, true}).empty());
    s.read(1, 1s);
    CHECK(s.send(SwitchFeedback{s.now, 0, true, true}).size() == 1);
}

TEST_CASE("what somebody else has switched off draws nothing in the books") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 10s);
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(11, 5s);
    REQUIRE(s.state(0) == "running");
    s.send(SwitchFeedback{s.now, 0, false, true});
    CHECK(s.marshal.load(0).drawn_a == 0);
    CHECK(s.state(0) == "waiting");
}

TEST_CASE("a load is told to have changed when its demand or hold has, and only then") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10)});
    rig.loads[0].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 10s);
    CHECK(changes(s.marshal.on(Tick{s.now})) == 0);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    CHECK(changes(s.marshal.on(Tick{s.now})) == 0);
    // Held, it stays off, and says so, whether it is wanted or not.
    CHECK(changes(s.marshal.on(DemandChanged{s.now, 0, true})) == 1);
    CHECK(changes(s.marshal.on(DemandChanged{s.now, 0, true})) == 0);
    CHECK(changes(s.marshal.on(DemandChanged{s.now, 0, false})) == 1);
}

TEST_CASE("a remembered past of durations is judged as seconds, one of currents as amperes") {
    const Stage compressor{"compressor", 46, 500ms, 10, 20s};
    StageProfile::Memory kept = StageProfile(compressor).memory();
    kept.past[static_cast<std::size_t>(Figure::peak)] = {100, 1};
    kept.past[static_cast<std::size_t>(Figure::duration)] = {0.4, 0.1};
    CHECK_FALSE(StageProfile(compressor).restore(kept));
    kept.past[static_cast<std::size_t>(Figure::duration)] = {100, 1};  // no start lasts so long
    CHECK(StageProfile(compressor).restore(kept));
}

TEST_CASE("a start that begins before another's has settled has its own time before it is told off") {
    Load second = air_conditioner("second", 2, 40, 10);
    second.stages[0] = {"fan", 7, 400ms, 4, 5s};
    Stand s(rig_of({breaker(100)}, {air_conditioner("first", 1, 18, 12), second}));
    s.settle();
    s.read(3, 2s);  // both fans, one after the other
    s.read(7, 2s);
    REQUIRE(s.starts.size() == 2);
    s.read(7 + 18, 500ms);  // the first compressor
    s.read(7 + 12, 200ms);
    const bool turns = GENERATE(true, false);
    s.read(19 + 40, 400ms);  // the second
    CHECK(s.on(1));
    s.read(turns ? 19 + 10 : 19 + 40, 1s);
    CHECK(s.on(1) == turns);
    CHECK_FALSE(s.alert("stall"));  // with the first it is more than a rotor draws that is locked
}

TEST_CASE("on a slow meter a start has settled when two readings agree, unless a rotor may be locked") {
    Rig rig = rig_of({breaker(100)}, {resistive("heater", 1, 10), air_conditioner("front", 2, 46, 11)});
    rig.timing.meter_period[Leg::l1] = 2s;
    rig.timing.stale_after[Leg::l1] = 6s;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    const auto reads = [&](double current_a, int times) {
        for (int n = 0; n < times; ++n) {
            s.now += 2s;
            s.send(MeterSample{s.now, Leg::l1, current_a, {}, {}, {}});
        }
    };
    reads(1, 100);
    REQUIRE(s.on(1));
    reads(11, 2);
    REQUIRE(s.starts.size() == 1);
    CHECK(s.starts[0].load == 0);
    reads(13, 2);  // the fan
    REQUIRE(s.starts.size() == 2);
    reads(13 + 40, 2);
    CHECK(s.on(1));  // a faulty reading may be told twice
    reads(13 + 40, 2);
    CHECK(s.alert("stall"));
}

TEST_CASE("a start that may take long is not called the stall of a load that starts fast") {
    Load slow = motor("slow", 2, 44, 10.5);
    slow.stages[0].start_window = 2s;
    Stand s(rig_of({breaker(100)}, {motor("fast", 1, 46, 10), slow}));
    s.settle(1, 30s);
    REQUIRE(s.on(0));
    REQUIRE(s.on(1));
    s.read(45, 1500ms);
    CHECK(s.on(0));
    CHECK_FALSE(s.alert("stall"));
    s.read(45, 1500ms);  // longer than either may take
    CHECK(s.why(0) == "shed_start_lost");
    CHECK(s.why(1) == "shed_start_lost");
}

namespace {

/// 15, 13, 11, 9, 7, 5, and then not 3: it takes no less than 4 A.
Load charger_to(double highest_a) {
    Load charger = resistive("charger", 1, highest_a);
    charger.control = Control::switched;
    charger.adjustment = Adjustment{4, 2, 20s};
    return charger;
}

/// The meter reads what the charger is set to, and this.
void charge(Stand& s, double other_a, Duration time) {
    for (const Instant end = s.now + time; s.now < end;)
        s.read(other_a + (s.on(0) ? s.settings_a[0] : 0));
}

}  // namespace

TEST_CASE("an adjustable load is never set below its lowest setting, whatever its steps come to") {
    Stand s(rig_of({breaker(30)}, {charger_to(15)}));
    s.send(LinkChanged{s.now, true});
    charge(s, 1, 300s);
    REQUIRE(s.settings_a[0] == 15);
    charge(s, 24.2, 5s);  // 28.5 A may stay on
    CHECK(s.on(0));
    CHECK(s.settings_a[0] == 4);
}

TEST_CASE("the heat of a source is handed on to one with the same images, and to no other") {
    const auto room_after = [](const Source& next, bool handed_on) {
        Stand old(rig_of({breaker(30)}, {}));
        old.settle(29.5, 2h);
        Stand s(rig_of({next}, {}));
        const std::optional<SourceIndex> sources[] = {0};
        if (handed_on) s.marshal.succeed(old.marshal, {}, sources);
        s.send(MeterSample{s.now, Leg::l1, 1});
        return s.marshal.limits()[0].start_headroom_a;
    };
    CHECK(room_after(breaker(30), true) < room_after(breaker(30), false) - 1);
    CHECK(room_after(generator(3600, 7200), true) == Approx(room_after(generator(3600, 7200), false)));
}

TEST_CASE("the setting of a load outlives a change of the configuration, as far as the new one allows it") {
    const auto [charged_for, highest_a, expected_a] =
        GENERATE(table<Duration, double, double>({{300s, 10, 10}, {10s, 15, 4}}));
    Stand old(rig_of({breaker(30)}, {charger_to(15)}));
    old.send(LinkChanged{old.now, true});
    charge(old, 1, charged_for);
    REQUIRE(old.on(0));
    Stand next(rig_of({breaker(30)}, {charger_to(highest_a)}));
    const std::optional<LoadIndex> heirs[] = {0};
    next.marshal.succeed(old.marshal, heirs, {});
    CHECK(next.marshal.load(0).setting_a.value() == expected_a);
}

TEST_CASE("readings of a leg that the rig does not have count for nothing") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}));
    s.settle(1, 5s);
    REQUIRE(s.on(0));
    CHECK(s.send(MeterSample{s.now, Leg::l2, 500, {}, 3.0}).empty());
    CHECK_FALSE(s.alert("supply_lost"));
    CHECK_FALSE(s.marshal.current_a(Leg::l2));
    CHECK_FALSE(s.marshal.voltage_v(Leg::l2));
    CHECK(s.on(0));
}

TEST_CASE("what cannot be controlled is not said to be told on, even while only observing") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10), observed("microwave", 10)});
    rig.observing = true;
    const Stand s(rig);
    CHECK(s.marshal.load(0).commanded_on);  // nothing tells what its switch is at: the worst is expected
    CHECK_FALSE(s.marshal.load(1).commanded_on);
}

TEST_CASE("a retained word of a switch that comes late changes nothing of what was told since") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10)});
    rig.loads[0].reports_switch = true;
    const bool on = GENERATE(true, false);
    rig.loads[0].wanted_at_start = on;
    Stand s(rig);
    s.settle(1, 10s);
    REQUIRE(s.on(0) == on);
    CHECK(s.send(SwitchFeedback{s.now, 0, !on, false}).empty());
    s.read(1, 60s);
    CHECK(s.on(0) == on);
    CHECK(s.marshal.load(0).commanded_on == on);
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("the time to a trip is that of whichever image of a limit trips first") {
    const ThermalImage slow{10, 1000s};
    const ThermalImage quick{10, 10s};
    const auto images = GENERATE_COPY(std::vector{slow, quick}, std::vector{quick, slow});
    Source source = breaker(30);
    source.limits[0].images = images;
    Stand s(rig_of({source}, {}));
    s.settle(0, 1s);
    s.send(MeterSample{s.now, Leg::l1, 20});
    REQUIRE(s.marshal.limits()[0].time_to_trip);
    // tau ln(r^2 / (r^2 - 1)) from cold, IEC 60255-149; r = 2.
    CHECK(seconds(*s.marshal.limits()[0].time_to_trip) == Approx(10 * std::log(4.0 / 3)));
}

TEST_CASE("for no time at all a cool image allows any current, and a hot one what it carries for ever") {
    Source source = breaker(30);
    Limit& limit = source.limits[0];
    limit.images = {ThermalImage{30, 10s}};
    const double cool[] = {0.2};
    const double hot[] = {0.99};
    CHECK(most_for(limit, cool, 0s, to_join) == Approx(to_join.ceiling * limit.ceiling_a));
    CHECK(most_for(limit, hot, 0s, to_join) == Approx(30 * std::sqrt(to_join.heat)));
}

TEST_CASE("an image that is nearly full carries for long what it cools at, and nothing once it has tripped") {
    Source source = breaker(30);
    source.limits[0].images = {ThermalImage{24, 3h}};
    const double cools_at_a = 24 * std::sqrt(to_join.heat);
    const double hot[] = {0.995};
    const double tripped[] = {1};
    REQUIRE(hot[0] > to_join.heat);
    CHECK_FALSE(over_steady(source, hot, {{cools_at_a - 0.1, 0}}));
    const auto more = over_steady(source, hot, {{cools_at_a + 0.1, 0}});
    REQUIRE(more);
    CHECK(more->available_a == Approx(cools_at_a));
    CHECK(over_steady(source, tripped, {{cools_at_a - 0.1, 0}}));
}

TEST_CASE("a rig of forty loads that may all start at any time is kept like a small one") {
    std::vector<Load> loads;
    loads.reserve(40);
    for (int i = 0; i < 40; ++i)
        loads.push_back(resistive("lamp " + std::to_string(i), i + 1, 2));
    Stand s(rig_of({breaker(100)}, loads));
    s.settle(1, 100s);
    REQUIRE(s.on(39));
    s.read(3, 5s);  // any of them
    for (LoadIndex i = 0; i < loads.size(); ++i)
        CHECK(s.state(i) == "permitted");
    s.read(299, 100ms);
    CHECK_FALSE(s.on(39));
}

TEST_CASE(
    "a start is learned from also while nobody knows the source, but not at which share of its voltage") {
    Stand s(rig_of({breaker(30)}, {observed("pump", 10)}), std::nullopt);
    s.voltage_v = 118;
    s.settle(1, 5s);
    s.voltage_v = 112;
    s.read(11, 300ms);
    s.read(11, 5s);
    const auto& memory = s.marshal.profile(0, 0).memory();
    REQUIRE(memory.count == 1);
    CHECK(memory.last[0].running_a == Approx(10));
    CHECK_FALSE(memory.last[0].line_share);
}

TEST_CASE("a meter's period that cannot be is no part of a remembered start") {
    const Stage compressor{"compressor", 46, 500ms, 10, 20s};
    StageProfile::Memory kept;
    kept.seen = kept.count = 1;
    kept.last[0] = {.peak_a = 40, .running_a = 10, .lasted = 400ms, .period = 100ms, .saw_peak = true};
    CHECK_FALSE(StageProfile(compressor).restore(kept));
    kept.last[0].period = 61s;
    CHECK(StageProfile(compressor).restore(kept));
    kept.last[0].period = 0s;
    CHECK(StageProfile(compressor).restore(kept));
}
