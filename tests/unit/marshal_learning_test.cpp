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

    double start_headroom_a() { return s.marshal.limit(0).start_headroom_a; }

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
    for (LoadIndex i : {0, 1})
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
    const auto trip_old = old.marshal.limit(0).time_to_trip;
    CHECK(trip_old == next.marshal.limit(0).time_to_trip);
    next.read(10, 5s);
    next.read(1, 5s);
    CHECK(next.marshal.limit(0).current_a == Approx(1));
}
