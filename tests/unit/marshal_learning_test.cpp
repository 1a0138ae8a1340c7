// What the Marshal does with what it has learned, and what outlives it.
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

constexpr std::size_t compressor = 1;

/// One air conditioner whose plate says 40 A, and what a meter reads of it.
struct OneUnit {
    explicit OneUnit(double rating_a = 30) : s(rig_of({breaker(rating_a), generator(3500, 4000)}, {unit()})) {
        s.settle();
    }

    static Load unit() { return air_conditioner("front", 1, 40, 10); }

    void cycle(double peak_a) {
        s.read(1, 10s);
        s.read(4);
        s.read(3, 3s);
        s.read(peak_a + 3, 300ms);  // long enough to be seen whole
        s.read(13, 5s);
        REQUIRE(s.state(0) == "running");
        s.read(1, 10s);
    }

    double start_headroom_a() { return s.marshal.limits()[0].start_headroom_a; }

    Stand s;
};

}  // namespace

TEST_CASE("a start that was higher than configured is reckoned with at once") {
    OneUnit unit;
    const double before_a = unit.start_headroom_a();
    unit.cycle(44);
    CHECK(unit.start_headroom_a() == Approx(before_a - 4).margin(0.3));
}

TEST_CASE("lower starts free room only after twenty that were seen whole, and on their source alone") {
    OneUnit unit;
    const double before_a = unit.start_headroom_a();
    for (int i = 0; i < 19; ++i)
        unit.cycle(20);
    CHECK(unit.start_headroom_a() == Approx(before_a).margin(0.3));
    unit.cycle(20);
    CHECK(unit.start_headroom_a() > before_a + 8);
    CHECK(unit.start_headroom_a() <= before_a + 20);
    unit.s.send(SourceChanged{unit.s.now, 1});
    CHECK(unit.s.why(0) == "shed_worst_case");  // 40 A configured, and the generator has 33 A: it must go
}

TEST_CASE("what was learned is forgotten on request") {
    OneUnit unit;
    const double before_a = unit.start_headroom_a();
    for (int i = 0; i < 20; ++i)
        unit.cycle(20);
    REQUIRE(unit.s.marshal.profile(0, compressor).memory().count == 20);
    unit.s.send(OperatorRequest{unit.s.now, 0, Request::forget});
    CHECK(unit.s.marshal.profile(0, compressor).memory().count == 0);
    CHECK(unit.start_headroom_a() == Approx(before_a).margin(0.3));
}

TEST_CASE("starts that depart from their own past raise an alert, which ends when they are as before") {
    OneUnit unit;
    for (int i = 0; i < 20; ++i)
        unit.cycle(30);
    CHECK_FALSE(unit.s.alert("departed"));
    for (int i = 0; i < 5; ++i)
        unit.cycle(44);
    CHECK(unit.s.alert("departed"));
    const auto departure = unit.s.marshal.profile(0, compressor).departure();
    REQUIRE(departure);
    CHECK(sentence(*departure, OneUnit::unit(), compressor) ==
          "its compressor start has grown from 30 A to 44 A: capacitor, soft starter or low voltage?");
    for (int i = 0; i < 5; ++i)
        unit.cycle(30);
    CHECK_FALSE(unit.s.alert("departed"));
}

TEST_CASE("what two loads may have been is learned from by neither") {
    Stand s(rig_of({breaker(50)}, {resistive("left", 1, 10), resistive("right", 2, 10)}));
    s.settle(1, 10s);
    REQUIRE(s.on(0));
    REQUIRE(s.on(1));
    s.read(11, 5s);
    CHECK(s.marshal.profile(0, 0).memory().count + s.marshal.profile(1, 0).memory().count == 0);
}

TEST_CASE("what was learned goes from one Marshal to the next, and nonsense is refused") {
    OneUnit unit;
    for (int i = 0; i < 20; ++i)
        unit.cycle(20);
    StageProfile::Memory kept = unit.s.marshal.profile(0, compressor).memory();
    OneUnit next;
    const double before_a = next.start_headroom_a();
    CHECK_FALSE(next.s.marshal.recall(0, compressor, kept));
    CHECK(next.start_headroom_a() > before_a + 8);
    kept.last[3].peak_a = -1;
    CHECK(next.s.marshal.recall(0, compressor, kept));
}

TEST_CASE("a lockout of an earlier life holds until a person acknowledges") {
    const auto [why, alert] = GENERATE(table<Lockout, std::string>({{Lockout::stall, "stall"},
                                                                    {Lockout::disobedience, "disobedience"},
                                                                    {Lockout::neutral, "open_neutral"}}));
    Stand s(rig_of({breaker(30)}, {OneUnit::unit()}));
    s.send(LockoutRecalled{s.now, 0, why});
    CHECK(s.alert(alert));
    CHECK(s.marshal.load(0).lockout == why);
    s.settle();
    CHECK_FALSE(s.on(0));
    CHECK(s.state(0) == "locked_out");
    s.send(OperatorRequest{s.now, 0, Request::acknowledge});
    s.read(1, 200s);
    CHECK(s.on(0));
    CHECK_FALSE(s.alert(alert));
}

TEST_CASE("a load that stalls after it was locked out in an earlier life is not tried again by itself") {
    // Nobody knows how often that was tried before.
    const bool recalled = GENERATE(true, false);
    CAPTURE(recalled);
    Load pump = motor("pump", 1, 20, 10);
    pump.stall_retries = 1;
    Stand s(rig_of({breaker(100)}, {pump}));
    if (recalled) s.send(LockoutRecalled{s.now, 0, Lockout::disobedience});
    s.settle(1, 5s);
    s.read(18.5, 5s);  // its relay sticks, or it was let start
    REQUIRE(s.alert("stall"));
    REQUIRE(s.state(0) == "locked_out");
    s.read(1, 1h);
    CHECK((s.state(0) == "locked_out") == recalled);
}

TEST_CASE("a load that did not obey in an earlier life is counted until it is known to be off") {
    // Beside a reserved start of 46 A another of 46 A does not fit 87.3 A.
    Rig rig =
        rig_of({breaker(30)}, {air_conditioner("stuck", 1, 46, 10), air_conditioner("other", 2, 46, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.send(LockoutRecalled{s.now, 0, Lockout::disobedience});
    s.settle();
    CHECK(s.state(0) == "locked_out");
    CHECK_FALSE(s.on(1));
    CHECK(s.why(1) == "start_over_ceiling");
    SECTION("its switch says so, and nothing flaps") {
        for (int second = 0; second < 12; ++second) {
            s.send(SwitchFeedback{s.now, 0, false, true});
            s.read(1, 1s);
        }
        CHECK(s.on(1));
    }
    SECTION("its switch says that it is on: it sticks still") {
        for (int second = 0; second < 12; ++second) {
            s.send(SwitchFeedback{s.now, 0, true, true});
            s.read(1, 1s);
        }
        CHECK_FALSE(s.on(1));
        CHECK(s.state(0) == "locked_out");
    }
    SECTION("a person has looked") {
        s.send(OperatorRequest{s.now, 0, Request::hold});
        s.send(OperatorRequest{s.now, 0, Request::acknowledge});
        s.read(1, 10s);
        CHECK(s.on(1));
    }
}

TEST_CASE("the Marshal of a new configuration goes on with what runs, and reserves it no second time") {
    // Two starts of 46 A and 2 x 9 A running: 30 A carry both once they run, but never both starts.
    std::vector<Load> loads{air_conditioner("left", 1, 46, 9), air_conditioner("right", 2, 46, 9)};
    for (Load& load : loads)
        load.stages.erase(load.stages.begin());
    const Rig rig = rig_of({breaker(15), breaker(30)}, loads);
    Stand old(rig, 1);
    old.settle();
    old.read(46, 200ms);
    old.read(10, 5s);
    REQUIRE(old.on(1));
    old.read(56, 200ms);
    old.read(19, 200s);
    REQUIRE(old.state(0) == "running");
    REQUIRE(old.state(1) == "running");

    // The new one has them in another order, and another source first.
    const Rig changed = rig_of({breaker(30), breaker(20)}, {loads[1], loads[0]});
    const std::optional<LoadIndex> heirs[] = {1, 0};
    const std::optional<SourceIndex> sources[] = {std::nullopt, 0};
    Stand next(changed, 0);
    next.now = old.now;
    const bool succeeds = GENERATE(true, false);
    if (succeeds) next.marshal.succeed(old.marshal, heirs, sources);
    for (const LoadIndex i : {0U, 1U})
        next.send(SwitchFeedback{next.now, i, true, false});
    next.send(LinkChanged{next.now, true});
    next.read(19, 60s);
    if (!succeeds) {
        CHECK_FALSE((next.marshal.load(0).commanded_on && next.marshal.load(1).commanded_on));
        return;
    }
    CHECK(next.marshal.load(0).commanded_on);
    CHECK(next.marshal.load(1).commanded_on);
    CHECK(next.state(0) == "running");
    CHECK(next.marshal.load(1).drawn_a == Approx(9).margin(0.5));
    const auto trip_old = old.marshal.limits()[0].time_to_trip;
    CHECK(trip_old == next.marshal.limits()[0].time_to_trip);
    next.read(10, 5s);
    next.read(1, 5s);
    CHECK(next.marshal.limits()[0].current_a == Approx(1));
}

namespace {

/// What a start of this stage has taught, handed on to a Marshal whose stage is `changed`.
std::size_t handed_on(const Stage& changed) {
    Load load = resistive("pump", 1, 10);
    Stand old(rig_of({breaker(30)}, {load}));
    StageProfile::Memory kept;
    kept.seen = kept.count = 1;
    kept.last[0] = {.peak_a = 10, .running_a = 10, .lasted = 100ms, .period = 100ms, .saw_peak = true};
    REQUIRE_FALSE(old.marshal.recall(0, 0, kept));
    load.stages[0] = changed;
    Stand next(rig_of({breaker(30)}, {load}));
    const std::optional<LoadIndex> heirs[] = {0};
    next.marshal.succeed(old.marshal, heirs, {});
    return next.marshal.profile(0, 0).memory().count;
}

}  // namespace

TEST_CASE("what a stage has taught is handed on if nothing in its configuration has changed") {
    const Stage same = resistive("pump", 1, 10).stages[0];
    CHECK(handed_on(same) == 1);
    std::vector<Stage> changed(5, same);
    changed[0].name = "motor";
    changed[1].start_a += 1;
    changed[2].start_window += 1ms;
    changed[3].running_a -= 1;
    changed[4].latest_after += 1s;
    for (const Stage& stage : changed)
        CHECK(handed_on(stage) == 0);
}

TEST_CASE("a load that is gone from a new configuration, or has other stages there, hands nothing on") {
    const Load pump = resistive("pump", 1, 10);
    Stand old(rig_of({breaker(30)}, {pump, resistive("heater", 2, 8)}));
    old.settle(1, 10s);
    old.read(11, 3s);
    REQUIRE(old.state(0) == "running");
    Load split = pump;
    split.stages.push_back(split.stages[0]);
    Stand next(rig_of({breaker(30)}, {split}));
    const std::optional<LoadIndex> heirs[] = {0, std::nullopt};
    next.marshal.succeed(old.marshal, heirs, {});
    CHECK_FALSE(next.marshal.load(0).commanded_on);
    CHECK(next.marshal.load(0).drawn_a == 0);
}

TEST_CASE("a start on a source that is no more stays remembered, but as one on a source unknown") {
    const Rig rig = rig_of({breaker(30)}, {resistive("pump", 1, 10)});
    Stand old(rig);
    StageProfile::Memory kept;
    kept.seen = kept.count = 2;
    kept.last[0] = {
        .peak_a = 10, .running_a = 10, .lasted = 100ms, .period = 100ms, .saw_peak = true, .source = 0};
    kept.last[1] = kept.last[0];
    kept.last[1].source = 7;
    REQUIRE_FALSE(old.marshal.recall(0, 0, kept));
    Stand next(rig);
    const std::optional<LoadIndex> heirs[] = {0};
    const std::optional<SourceIndex> sources[] = {0};
    next.marshal.succeed(old.marshal, heirs, sources);
    const auto& last = next.marshal.profile(0, 0).memory().last;
    CHECK(last[0].source == SourceIndex{0});
    CHECK_FALSE(last[1].source);
}

TEST_CASE("a source that was left cools on under a new configuration, whichever is present there") {
    const auto room_a = [](Duration since_left) {
        const Rig rig = rig_of({breaker(30), breaker(20)}, {});
        Stand old(rig);
        old.settle(29.5, 2h);
        old.send(SourceChanged{old.now, 1});
        old.read(1, since_left);
        Stand next(rig, 1);
        next.now = old.now;
        const std::optional<SourceIndex> sources[] = {0, 1};
        next.read(1);
        next.marshal.succeed(old.marshal, {}, sources);
        next.send(SourceChanged{next.now, 0});
        next.read(1);
        return next.marshal.limits()[0].start_headroom_a;
    };
    CHECK(room_a(2h) > room_a(1s) + 1);
}

TEST_CASE("a charger that is off when the configuration changes starts at its lowest setting") {
    Load charger = resistive("charger", 1, 15);
    charger.control = Control::switched;
    charger.adjustment = Adjustment{3, 2, 20s};
    charger.wanted_at_start = false;
    Stand old(rig_of({breaker(30)}, {charger}));
    old.settle(1, 5s);
    charger.adjustment->least_a = 5;
    Stand next(rig_of({breaker(30)}, {charger}));
    const std::optional<LoadIndex> heirs[] = {0};
    next.marshal.succeed(old.marshal, heirs, {});
    CHECK(next.marshal.load(0).setting_a == 5.0);
}

TEST_CASE("a lockout that was none keeps nothing off") {
    Stand s(rig_of({breaker(30)}, {resistive("pump", 1, 10)}));
    s.send(LockoutRecalled{s.now, 0, Lockout::none});
    CHECK(s.alerts.empty());
    s.settle(1, 5s);
    CHECK(s.on(0));
}

TEST_CASE("what was learned of a supply's impedance is handed on where the rig is still on that supply") {
    const Rig rig = rig_of({breaker(30), breaker(20)}, {observed("heater", 10)});
    Stand old(rig);
    for (int i = 0; i < 20; ++i) {
        const double reading_a = i % 2 == 0 ? 1 : 11;
        old.voltage_v = 121 - 0.2 * reading_a;
        old.read(reading_a, 5s);
    }
    REQUIRE(old.marshal.impedance_ohm(Leg::l1));
    const std::optional<SourceIndex> sources[] = {0, 1};
    for (const SourceIndex present : {0U, 1U}) {
        Stand next(rig, present);
        next.marshal.succeed(old.marshal, {}, sources);
        CHECK(next.marshal.impedance_ohm(Leg::l1).has_value() == (present == 0));
    }
}

TEST_CASE("nothing is learned from a start that two other loads may have made together") {
    const bool rivals = GENERATE(true, false);
    CAPTURE(rivals);
    std::vector<Load> loads{resistive("heater", 1, 4)};
    if (rivals) {
        loads.push_back(air_conditioner("front", 2, 30, 10));
        loads.push_back(air_conditioner("rear", 3, 30, 10));
    }
    Stand s(with_period(rig_of({breaker(100)}, loads), 1s));
    s.settle(1, 300s);
    const double before_a = start_headroom_a(s);
    const auto read = [&](double current_a, double peak_a) {
        for (int second = 0; second < 4; ++second) {
            s.now += 1s;
            s.send(MeterSample{s.now, Leg::l1, current_a, second == 0 ? peak_a : current_a});
        }
    };
    read(5, 7.5);
    read(1, 1);
    CHECK((start_headroom_a(s) < before_a - 1) == !rivals);
}
