// Loads that have a meter of their own. Where the leg alone leaves it open which load it was, their word
// decides; and it is never needed: without it everything goes by the leg. Readings are invented.
#include <string>

#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::rules;
using namespace ampmarshal::stand;
using namespace std::chrono_literals;

namespace {

constexpr OwnMeter plug{.period = 1s, .stale_after = 3s};

Rig heater_on_a_plug() {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 12)});
    rig.loads[0].own_meter = plug;
    return rig;
}

/// Two of the same, which no step on the leg tells apart.
Rig twins(bool metered) {
    Rig rig =
        rig_of({breaker(100)}, {air_conditioner("front", 1, 30, 10), air_conditioner("rear", 2, 30, 10)});
    for (Load& load : rig.loads) {
        load.stages.erase(load.stages.begin());  // no fan of its own
        load.stages.front().latest_after = 600s;
        if (metered) load.own_meter = plug;
    }
    return rig;
}

/// Both permitted and idle.
struct IdleTwins : Stand {
    explicit IdleTwins(bool metered) : Stand(twins(metered)) {
        if (metered) own_a = {{0, 0.1}, {1, 0.1}};
        settle(1, 2000s);
        REQUIRE(on(0));
        REQUIRE(on(1));
    }
};

}  // namespace

TEST_CASE("of two alike, the one whose own meter rises is the one that runs") {
    IdleTwins s(true);
    s.read(31, 200ms);
    s.own_a[1] = 10.2;
    s.read(11, 5s);
    CHECK(s.state(1) == "running");
    CHECK(s.marshal.load(1).drawn_a == Approx(10.2));
    CHECK(s.state(0) == "permitted");
    SECTION("and so for a stop") {
        s.read(31, 200ms);
        s.own_a[0] = 9.9;
        s.read(21, 5s);
        REQUIRE(s.state(0) == "running");
        s.own_a[1] = 0.1;
        s.read(11, 5s);
        CHECK(s.state(0) == "running");
        CHECK(s.state(1) == "permitted");
        CHECK(s.marshal.load(1).drawn_a == 0);
    }
}

TEST_CASE("of two alike without meters of their own, nobody is booked on a guess") {
    IdleTwins s(false);
    s.read(31, 200ms);
    s.read(11, 5s);
    CHECK(s.state(0) == "permitted");
    CHECK(s.state(1) == "permitted");
}

TEST_CASE(
    "a load that runs on after it was told to stop is known by its own meter, whoever else could be it") {
    const bool metered = GENERATE(true, false);
    CAPTURE(metered);
    IdleTwins s(metered);
    s.read(31, 200ms);
    if (metered) s.own_a[0] = 10;
    s.read(11, 5s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(11, 20s);
    // Without its own meter it may have been its twin that started, and no load is accused on a guess.
    CHECK(s.alert("disobedience") == metered);
    CHECK((s.state(0) == "locked_out") == metered);
    CHECK(s.state(1) != "locked_out");
}

TEST_CASE("a load that stopped as told is not accused for the current of another") {
    IdleTwins s(true);
    s.read(31, 200ms);
    s.own_a[0] = 10;
    s.read(11, 5s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    // In the same moment its twin starts: on the leg nothing has fallen.
    s.own_a = {{0, 0.1}, {1, 10}};
    s.read(11, 20s);
    CHECK_FALSE(s.alert("disobedience"));
    CHECK(s.state(0) == "off");
    CHECK(s.state(1) == "running");
}

TEST_CASE("a load that draws although it is off is told off again, and then locked out") {
    Rig rig = heater_on_a_plug();
    rig.loads[0].wanted_at_start = false;
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    REQUIRE_FALSE(s.on(0));
    s.own_a[0] = 12;
    const auto told = s.read(13, 20s);
    CHECK(told.size() == 3);  // the message may have been lost, so three times, and no more
    for (const Switch& again : told)
        CHECK_FALSE(again.on);
    CHECK(s.state(0) == "locked_out");
    CHECK(s.alert("disobedience"));
    CHECK(s.marshal.load(0).drawn_a == Approx(12));
    SECTION("until a person has looked") {
        s.own_a[0] = 0;
        s.read(1, 5s);
        s.send(OperatorRequest{s.now, 0, Request::acknowledge});
        s.read(1, 20s);
        CHECK(s.state(0) == "off");
        CHECK_FALSE(s.alert("disobedience"));
    }
}

TEST_CASE("a meter of its own that is frozen while its switch says off leads to no commands without end") {
    const bool carried = GENERATE(true, false);  // by something else, as far as the leg can tell
    CAPTURE(carried);
    Rig rig = heater_on_a_plug();
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.own_a[0] = 12;
    s.read(13, 5s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.send(SwitchFeedback{s.now, 0, false, true});
    const double stays_a = carried ? 13 : 1;
    s.read(stays_a, 30s);  // and the plug's meter stays at 12 A
    s.send(OperatorRequest{s.now, 0, Request::acknowledge});
    CHECK(s.read(stays_a, 120s).size() <= 4);  // told off once more, and three times in vain
    CHECK(s.state(0) == (carried ? "locked_out" : "off"));
    CHECK(s.alert("disobedience") == carried);
    SECTION("and once it moves, all is well") {
        s.own_a[0] = 0;
        s.read(1, 5s);
        if (carried) s.send(OperatorRequest{s.now, 0, Request::acknowledge});
        s.send(OperatorRequest{s.now, 0, Request::release});
        s.read(1, 20s);
        CHECK(s.on(0));
    }
}

TEST_CASE("a load that is off is not accused of more than its leg carries beside other own meters") {
    // What the other one is only taken to draw proves nothing.
    const bool metered = GENERATE(true, false);
    CAPTURE(metered);
    Rig rig = rig_of({breaker(50)}, {resistive("heater", 1, 12), resistive("boiler", 2, 12)});
    rig.loads[0].wanted_at_start = false;
    rig.loads[0].own_meter = plug;
    if (metered) rig.loads[1].own_meter = plug;
    Stand s(rig);
    s.own_a[0] = 0;
    if (metered) s.own_a[1] = 0;
    s.settle(1, 20s);
    REQUIRE(s.on(1));
    if (metered) s.own_a[1] = 12;
    s.read(13, 10s);
    REQUIRE(s.state(1) == "running");
    s.own_a[0] = 12;
    CHECK(s.read(13, 40s).size() == 3);
    CHECK(s.alert("disobedience") == !metered);
    CHECK(s.state(1) == "running");
}

TEST_CASE("of the load that is off only its own legs can prove that its meter tells too much") {
    // What another's own meter tells of the other leg is no part of what this one carries.
    const bool shared = GENERATE(true, false);
    CAPTURE(shared);
    Rig rig =
        rig_of({breaker(50, Feed::two_legs)},
               {resistive("heater", 1, 12), resistive("boiler", 2, 12, LegSet(Leg::l2))}, LegSet::both());
    if (shared) rig.loads[1].legs = LegSet(Leg::l1);
    rig.loads[0].wanted_at_start = false;
    for (Load& load : rig.loads)
        load.own_meter = plug;
    Stand s(rig);
    s.own_a = {{0, 0}, {1, 0}};
    s.settle(1, 20s);
    REQUIRE(s.on(1));
    s.own_a[1] = 12;
    s.read(13, 10s, shared ? 0 : 12);
    REQUIRE(s.state(1) == "running");
    s.own_a[0] = 12;
    s.read(13, 40s, shared ? 0 : 12);
    CHECK(s.alert("disobedience") == !shared);
}

TEST_CASE(
    "a leg that was not read since, is silent or moves does not prove that a load's own meter is frozen") {
    const std::string leg = GENERATE("quick", "slow", "silent", "moves");
    CAPTURE(leg);
    Rig rig = heater_on_a_plug();
    rig.loads[0].wanted_at_start = false;
    rig.timing.meter_period[Leg::l1] = leg == "slow" ? 10s : 100ms;
    rig.timing.stale_after[Leg::l1] = leg == "slow" ? 30s : 3s;
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.own_a.clear();
    for (int n = 0; n < 12; ++n) {
        const bool speaks = leg != "slow" && (leg != "silent" || n < 3);
        if (!speaks) s.wait(1s);
        for (int reading = 0; speaks && reading < 10; ++reading)
            s.read(leg != "moves" ? 1 : reading % 2 == 0 ? 5 : 9);
        s.send(MeterSample{s.now, Leg::l1, 12, {}, {}, {}, LoadIndex{0}});
    }
    CHECK(s.alert("disobedience") == (leg != "quick"));
}

TEST_CASE("a load that ran although it was off rests from when it stopped") {
    // By the word of its own meter, or of its switch, however soon that comes after it was told off again.
    const bool reports = GENERATE(false, true);
    CAPTURE(reports);
    Rig rig = rig_of({breaker(100)}, {air_conditioner("front", 1, 30, 10)});
    rig.loads[0].wanted_at_start = false;
    rig.loads[0].reports_switch = reports;
    if (!reports) rig.loads[0].own_meter = plug;
    Stand s(rig);
    if (!reports) s.own_a[0] = 0;
    s.settle(1, 240s);
    if (reports)
        s.send(SwitchFeedback{s.now, 0, true, true});
    else
        s.own_a[0] = 2;
    while (s.read(3).empty() && !reports) {
    }
    s.read(3, 400ms);
    if (reports)
        s.send(SwitchFeedback{s.now, 0, false, true});
    else
        s.own_a[0] = 0;
    s.send(DemandChanged{s.now, 0, true});
    s.read(1, 179s);
    CHECK_FALSE(s.on(0));
    s.read(1, 30s);
    CHECK(s.on(0));
}

TEST_CASE("amid another's start, a load that was seen to stop on the leg is not missed there once more") {
    Rig rig = rig_of({breaker(100)}, {air_conditioner("front", 1, 12, 7), resistive("heater", 2, 5.8)});
    rig.loads[1].own_meter = OwnMeter{.period = 100ms, .stale_after = 3s};
    Stand s(rig);
    s.own_a[1] = 0;
    s.settle(1, 240s);
    s.own_a[1] = 5.8;
    s.read(6.8, 5s);
    s.read(8.8, 5s);
    REQUIRE(s.state(1) == "running");
    s.read(20.8, 200ms);
    s.send(OperatorRequest{s.now, 1, Request::hold});
    s.own_a[1] = 0;
    s.read(10, 5s);
    CHECK_FALSE(s.alert("stall"));
    CHECK(s.state(0) == "running");
}

TEST_CASE("a load that draws for a moment after it was told off is no stuck one") {
    Stand s(heater_on_a_plug());
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.own_a[0] = 12;
    s.read(13, 5s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(13, 100ms);
    s.read(1, 800ms);  // the leg has seen it, and the plug has not spoken yet
    s.own_a[0] = 0;
    CHECK(s.read(1, 20s).empty());
    CHECK_FALSE(s.alert("disobedience"));
    CHECK(s.state(0) == "off");
}

TEST_CASE("what a load draws is what its own meter says") {
    Rig rig = rig_of({breaker(30)}, {resistive("charger", 1, 10)});
    rig.loads[0].own_meter = plug;
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.own_a[0] = 9.4;
    s.read(10.4, 5s);
    REQUIRE(s.state(0) == "running");
    for (int tenths = 94; tenths > 20; --tenths) {
        s.own_a[0] = tenths / 10.0;
        s.read(1 + s.own_a[0], 1s);
    }
    CHECK(s.state(0) == "running");
    CHECK(s.marshal.load(0).drawn_a == Approx(2).margin(0.5));
}

TEST_CASE("a step of another is not taken for a load whose own meter stays where it is") {
    Rig rig = rig_of({breaker(50)}, {resistive("heater", 1, 12)});
    rig.loads[0].control = Control::permitted;
    rig.loads[0].own_meter = OwnMeter{.period = 200ms, .stale_after = 1s};
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    REQUIRE(s.on(0));
    s.read(13, 10s);  // an iron
    CHECK(s.state(0) == "permitted");
    CHECK(s.marshal.load(0).drawn_a == 0);
    CHECK(s.starts.empty());
}

TEST_CASE("a meter of its own that falls silent leaves the load to be judged by its leg") {
    Rig rig = rig_of({breaker(50)}, {resistive("heater", 1, 12)});
    rig.loads[0].control = Control::permitted;
    rig.loads[0].own_meter = plug;
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.own_a.clear();
    s.read(1, 5s);
    s.read(13, 5s);
    CHECK(s.state(0) == "running");
    CHECK(s.marshal.load(0).drawn_a == Approx(12).margin(0.5));
}

TEST_CASE("a frozen meter of its own does not hide that the load has stopped and may start again") {
    Rig rig = rig_of({breaker(100)}, {air_conditioner("ac", 1, 46, 10)});
    rig.loads[0].stages.erase(rig.loads[0].stages.begin());
    rig.loads[0].own_meter = OwnMeter{.period = 200ms, .stale_after = 1s};
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 200s);
    s.read(47, 200ms);
    s.own_a[0] = 10;
    s.read(11, 5s);
    REQUIRE(s.state(0) == "running");
    const double free_a = s.marshal.limits()[0].start_headroom_a;
    s.read(1, 5s);  // and the meter stays at 10 A
    CHECK(s.state(0) == "permitted");
    CHECK(s.marshal.limits()[0].start_headroom_a == Approx(free_a + 10 - 46).margin(0.5));
    SECTION("once it moves it is believed again") {
        s.own_a[0] = 0.1;
        s.read(1, 5s);
        s.read(47, 200ms);
        s.own_a[0] = 10;
        s.read(11, 5s);
        CHECK(s.state(0) == "running");
        CHECK(s.marshal.load(0).drawn_a == Approx(10));
    }
}

TEST_CASE("what a load's own meter has told already is not taken for another's start as well") {
    Rig rig = twins(true);
    for (Load& load : rig.loads)
        load.own_meter = OwnMeter{.period = 100ms, .stale_after = 1s};
    rig.loads[1].own_meter.reset();
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 2000s);
    REQUIRE(s.on(1));
    s.own_a[0] = 10;
    s.read(31, 200ms);
    s.read(11, 5s);
    CHECK(s.state(0) == "running");
    CHECK(s.state(1) == "permitted");
}

TEST_CASE("a start that its own meter shows first stays reserved until the leg's meter shows it") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 16), resistive("kettle", 2, 16)});
    for (Load& load : rig.loads)
        load.control = Control::switched;
    rig.loads[0].own_meter = OwnMeter{.period = 100ms, .stale_after = 1s};
    rig.timing.meter_period[Leg::l1] = 2s;
    rig.timing.stale_after[Leg::l1] = 6s;
    Stand s(rig);
    const auto leg_reads = [&](double l1_a) { s.send(MeterSample{s.now, Leg::l1, l1_a}); };
    const auto plug_reads = [&](double own_a, Duration for_) {
        for (const Instant end = s.now + for_; s.now < end;) {
            s.now += 100ms;
            s.send(MeterSample{s.now, Leg::l1, own_a, {}, {}, {}, LoadIndex{0}});
        }
    };
    s.send(LinkChanged{s.now, true});
    for (int n = 0; n < 10 && !s.on(0); ++n) {
        plug_reads(0, 2s);
        leg_reads(1);
    }
    REQUIRE(s.on(0));
    plug_reads(0, 300ms);
    plug_reads(16, 1600ms);
    CHECK(s.state(0) == "starting");  // on the last reading of the leg there is room for both
    CHECK_FALSE(s.on(1));
    leg_reads(17);
    plug_reads(16, 2s);
    leg_reads(17);
    plug_reads(16, 1s);
    CHECK(s.state(0) == "running");
    CHECK_FALSE(s.on(1));
}

TEST_CASE("its own meter teaches a load's starts, where the leg's could have been another's") {
    Rig rig = twins(true);
    rig.loads[1].own_meter.reset();
    rig.loads[0].own_meter = OwnMeter{.period = 100ms, .stale_after = 1s};
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 2000s);
    for (const double own_a : {30.0, 30.0, 30.0, 10.0, 10.0}) {
        s.own_a[0] = own_a;
        s.read(1 + own_a);
    }
    s.read(11, 5s);
    REQUIRE(s.state(0) == "running");
    CHECK(s.marshal.profile(0, 0).memory().seen == 1);
    CHECK(s.marshal.profile(0, 0).worst().start_a == Approx(30).margin(0.5));
    CHECK(s.marshal.profile(1, 0).memory().seen == 0);
}

TEST_CASE("a start beside one that another load's own meter has told teaches nothing") {
    constexpr std::size_t compressor = 1;
    const bool both = GENERATE(false, true);
    CAPTURE(both);
    Rig rig = rig_of({breaker(100)}, {observed("oven", 17), air_conditioner("front", 1, 50, 10)});
    rig.loads[0].own_meter = OwnMeter{.period = 100ms, .stale_after = 1s};
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle();
    s.read(4);
    s.read(3, 3s);
    const double oven_a = both ? 17 : 0;
    s.own_a[0] = oven_a;
    s.read(43 + oven_a, 200ms);
    s.read(13 + oven_a, 5s);
    REQUIRE(s.state(1) == "running");
    CHECK(s.marshal.profile(1, compressor).memory().seen == (both ? 0 : 1));
}

TEST_CASE("while only observing, nothing is commanded on the word of a load's own meter") {
    Rig rig = heater_on_a_plug();
    rig.observing = true;
    Stand s(rig);
    s.own_a[0] = 12;
    s.settle(13, 20s);
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("where its own meter is quicker than the leg's, the fall of the leg is not another's") {
    Rig rig = rig_of({breaker(50)}, {resistive("metered", 1, 12), resistive("other", 2, 12.3)});
    rig.loads[0].own_meter = OwnMeter{.period = 100ms, .stale_after = 1s};
    Stand s(rig);
    s.own_a[0] = 0.1;
    s.settle(1, 5s);
    s.own_a[0] = 12;
    s.read(13, 2s);
    s.read(25.3, 2s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(1) == "running");
    s.own_a[0] = 0.1;
    s.read(25.3, 300ms);
    s.read(13.3, 2s);
    CHECK(s.state(0) == "permitted");
    CHECK(s.state(1) == "running");
}

TEST_CASE("and so where it was told to stop") {
    Rig rig = rig_of({breaker(50)}, {resistive("metered", 1, 12), resistive("other", 2, 12.3)});
    rig.loads[0].own_meter = OwnMeter{.period = 100ms, .stale_after = 1s};
    rig.timing.meter_period[Leg::l1] = 500ms;
    Stand s(rig);
    s.own_a[0] = 0.1;
    s.settle(1, 5s);
    s.own_a[0] = 12;
    s.read(13, 3s);
    s.read(25.3, 3s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(1) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.own_a[0] = 0.1;
    s.read(25.3, 400ms);
    s.read(13.3, 2s);
    CHECK(s.state(1) == "running");
}

TEST_CASE("a stop that a load's own meter tells just after its leg has moved is no other's on the leg") {
    Rig rig = rig_of({breaker(100)}, {air_conditioner("front", 1, 30, 8), resistive("heater", 2, 7.4),
                                      resistive("kettle", 3, 5)});
    rig.timing.meter_period[Leg::l1] = 1s;
    rig.timing.stale_after[Leg::l1] = 3s;
    rig.loads[1].own_meter = OwnMeter{.period = 200ms, .stale_after = 1s};
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    const auto read = [&](double leg_a, double plug_a, Duration for_) {
        for (const Instant end = s.now + for_; s.now < end;) {
            s.now += 200ms;
            s.send(MeterSample{s.now, Leg::l1, plug_a, {}, {}, {}, 1});
            if (s.now.time_since_epoch() % 1s == 0s) s.send(MeterSample{s.now, Leg::l1, leg_a, {}, {}, {}});
        }
    };
    read(1, 0.1, 240s);
    read(3, 0.1, 3s);
    read(11, 0.1, 3s);
    REQUIRE(s.state(0) == "running");
    read(18.4, 7.4, 4s);
    read(23.4, 7.4, 2s);
    s.send(OperatorRequest{s.now, 1, Request::hold});
    read(16, 0.1, 4s);
    CHECK(s.state(0) == "running");
    CHECK(s.marshal.load(0).drawn_a == Approx(10));
}

namespace {

/// Its plug speaks four times as often as the leg's meter, and its fan runs.
struct FanOnAQuickPlug : Stand {
    static Rig rig() {
        Rig rig = rig_of({breaker(100)}, {air_conditioner("ac", 1, 46, 11)});
        rig.loads[0].own_meter = OwnMeter{.period = 500ms, .stale_after = 3s};
        rig.timing.meter_period[Leg::l1] = 2s;
        rig.timing.stale_after[Leg::l1] = 6s;
        return rig;
    }

    FanOnAQuickPlug() : Stand(rig()) {
        own_a[0] = 0;
        settle(1, 200s);
        own_a[0] = 2;
        read(3, 10s);
        REQUIRE(starts.size() == 1);
    }

    double most_learned_a() const { return marshal.profile(0, 1).worst().running_a; }
};

}  // namespace

TEST_CASE("what its own meter shows of a rotor that is locked is a stall, and no running current") {
    FanOnAQuickPlug s;
    s.own_a[0] = 44;
    s.read_until_command(45, 10s);
    s.own_a[0] = 0;
    s.read(1, 10s);
    CHECK(s.alert("stall"));
    CHECK(s.state(0) == "locked_out");
    CHECK(s.starts.size() == 1);
    CHECK(s.most_learned_a() == 0);
}

TEST_CASE("a meter of its own that is frozen amid a start is no stall, and teaches nothing") {
    FanOnAQuickPlug s;
    const double free_a = s.marshal.limits()[0].start_headroom_a;
    s.own_a[0] = 44;
    s.read(22, 10s);  // together with something else: the leg does not tell, either
    CHECK_FALSE(s.alert("stall"));
    CHECK(s.on(0));
    CHECK(s.starts.size() == 1);
    CHECK(s.most_learned_a() == 0);
    CHECK(s.marshal.limits()[0].start_headroom_a ==
          Approx(free_a - 19).margin(0.5));  // its start is reserved
}

namespace {

constexpr OwnMeter quick{.period = 100ms, .stale_after = 1s};

/// A motor that runs at 10 A, permitted, and idle so far, with a meter of its own.
struct MeteredMotor : Stand {
    explicit MeteredMotor(OwnMeter meter) : Stand(rig(meter)) {
        own_a[0] = 0;
        settle(1, 200s);
        REQUIRE(on(0));
    }

    static Rig rig(OwnMeter meter) {
        Rig rig = rig_of({breaker(100)}, {air_conditioner("ac", 1, 46, 10)});
        rig.loads[0].stages.erase(rig.loads[0].stages.begin());
        rig.loads[0].own_meter = meter;
        return rig;
    }
};

}  // namespace

TEST_CASE("a reading of a meter that a load is not said to have counts for nothing") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 12)}));
    s.settle(1, 20s);
    REQUIRE(s.state(0) == "permitted");
    s.own_a.clear();
    for (int n = 0; n < 20; ++n) {
        CHECK(s.send(MeterSample{s.now, Leg::l1, 12, {}, {}, {}, LoadIndex{0}}).empty());
        s.read(1);
    }
    CHECK(s.state(0) == "permitted");
    CHECK(s.marshal.load(0).drawn_a == 0);
    CHECK(s.marshal.current_a(Leg::l1) == Approx(1));
}

TEST_CASE("a load of two soft stages does not run altogether at a part of its second one") {
    Rig rig = rig_of({breaker(50)}, {resistive("dryer", 1, 4)});
    rig.loads[0].stages.push_back({"element", 10, 200ms, 10, 600s});
    rig.loads[0].own_meter = plug;
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.own_a[0] = 6;
    s.read(7, 5s);
    CHECK(s.state(0) == "starting");
    CHECK(start_headroom_a(s) == Approx(0.97 * 150 - 7 - 10).margin(0.1));  // its element may come yet
    s.own_a[0] = 13;
    s.read(14, 5s);
    CHECK(s.state(0) == "running");
}

TEST_CASE("a meter of its own that saw a stop and a start at once teaches nothing of either") {
    Rig rig = rig_of({breaker(100)}, {air_conditioner("front", 1, 30, 10)});
    rig.loads[0].own_meter = quick;
    rig.timing.meter_period[Leg::l1] = 500ms;  // too slow to tell by itself
    Stand s(rig);
    const auto reads = [&](double own_a, Duration for_) {
        for (const Instant end = s.now + for_; s.now < end;) {
            s.now += 100ms;
            if (s.now.time_since_epoch() % 500ms == 0s) s.send(MeterSample{s.now, Leg::l1, 1 + own_a});
            s.send(MeterSample{s.now, Leg::l1, own_a, {}, {}, {}, LoadIndex{0}});
        }
    };
    s.send(LinkChanged{s.now, true});
    reads(0, 200s);
    reads(4, 200ms);
    reads(2, 4800ms);
    REQUIRE(s.marshal.load(0).drawn_a == Approx(2));
    const bool dips = GENERATE(false, true);
    CAPTURE(dips);
    reads(dips ? 0 : 2, 100ms);
    reads(30, 200ms);
    reads(12, 4700ms);
    CHECK(s.state(0) == "running");
    CHECK(s.marshal.load(0).drawn_a == Approx(12));
    CHECK(s.marshal.profile(0, 1).memory().seen == (dips ? 0 : 1));
    REQUIRE(s.starts.size() == 2);
    CHECK(s.starts[1].peak_a == Approx(dips ? 12 : 30));  // no figure of the stop is told as the start's
}

TEST_CASE("what is only observed is booked by its own meter once its leg has been read") {
    Rig rig = rig_of({breaker(30)}, {observed("microwave", 12)});
    rig.loads[0].own_meter = quick;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    for (int n = 0; n < 10; ++n)
        s.send(MeterSample{s.now += 100ms, Leg::l1, 12, {}, {}, {}, LoadIndex{0}});
    CHECK(s.state(0) == "off");  // no reading of the leg holds its current yet
    CHECK(s.marshal.load(0).drawn_a == 0);
    s.own_a[0] = 12;
    s.read(13, 1s);
    CHECK(s.state(0) == "running");
    CHECK(s.marshal.load(0).drawn_a == Approx(12));
}

TEST_CASE("a stop that its own meter confirms amid the fall of the leg is no other's there") {
    Rig rig = rig_of({breaker(50)}, {resistive("metered", 1, 12), resistive("other", 2, 12.3)});
    rig.loads[0].own_meter = quick;
    rig.timing.meter_period[Leg::l1] = 500ms;
    Stand s(rig);
    const auto reads = [&](double leg_a, double own_a, Duration for_) {
        for (const Instant end = s.now + for_; s.now < end;) {
            s.now += 100ms;
            if (s.now.time_since_epoch() % 500ms == 0s) s.send(MeterSample{s.now, Leg::l1, leg_a});
            s.send(MeterSample{s.now, Leg::l1, own_a, {}, {}, {}, LoadIndex{0}});
        }
    };
    s.send(LinkChanged{s.now, true});
    reads(1, 0.1, 5s);
    reads(13, 12, 3s);
    reads(25.3, 12, 3s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(1) == "running");
    reads(25.3, 12, 400ms);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    reads(13.3, 0.1, 3s);
    CHECK(s.state(0) == "off");
    CHECK(s.state(1) == "running");
    CHECK(s.marshal.load(1).drawn_a == Approx(12.3).margin(0.1));
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("a load that draws on after it was told to stop has not started, and is accused by its own meter") {
    // Its twin could explain the current, and it is not sure which of them started on the leg.
    Rig rig = twins(true);
    for (Load& load : rig.loads)
        load.own_meter = quick;
    Stand s(rig);
    s.own_a = {{0, 0.1}, {1, 0.1}};
    s.settle(1, 2000s);
    s.own_a[0] = 10;
    s.read(31, 200ms);
    s.read(11, 5s);
    REQUIRE(s.state(0) == "running");
    const auto starts = s.starts.size();
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(11, 1200ms);
    CHECK(s.starts.size() == starts);
    CHECK(s.marshal.load(0).drawn_a == 0);
    CHECK(s.state(0) == "off");
    s.read(11, 500ms);  // told once more a reaction time after the first, and judged a second after that
    CHECK(s.state(0) == "locked_out");
    CHECK(s.alert("disobedience"));
}

TEST_CASE("a meter of its own that has moved since its leg fell is believed, though its level is as before") {
    const bool moves = GENERATE(false, true);
    CAPTURE(moves);
    MeteredMotor s({.period = 200ms, .stale_after = 1s});
    s.read(47, 200ms);
    s.own_a[0] = 10;
    s.read(11, 5s);
    REQUIRE(s.state(0) == "running");
    s.read(11, s.now.time_since_epoch() % 200ms);
    s.read(1, 300ms);  // something else of its size has stopped
    REQUIRE(s.state(0) == "permitted");
    if (moves) s.own_a[0] = 14;
    s.read(1, 200ms);
    s.own_a[0] = 10;
    s.read(1, 800ms);
    CHECK(s.state(0) == (moves ? "running" : "permitted"));
}

TEST_CASE("a start that was expected is not its own where its own meter has moved since, and shows nothing") {
    const bool moves = GENERATE(false, true);
    CAPTURE(moves);
    MeteredMotor s({.period = 1s, .stale_after = 3s});
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, 5s);
    s.send(OperatorRequest{s.now, 0, Request::release});
    s.read(1, 175s);
    while (!s.on(0) || s.now.time_since_epoch() % 1s != 100ms)
        s.read(1);
    s.read(47, 200ms);
    s.read(11, 600ms);
    REQUIRE(s.state(0) == "running");
    if (moves) s.own_a[0] = 3;
    s.read(11, 1s);
    s.own_a[0] = 0;
    s.read(11, 6s);
    CHECK(s.state(0) == (moves ? "permitted" : "running"));
}

TEST_CASE("a charger that is turned up keeps its room until its leg shows it, not only its own meter") {
    Load charger = resistive("charger", 1, 15);
    charger.control = Control::switched;
    charger.adjustment = Adjustment{3, 4, 20s};
    charger.own_meter = quick;
    Stand s(rig_of({breaker(30)}, {charger}));
    s.own_a[0] = 0;
    s.send(LinkChanged{s.now, true});
    while (!s.on(0))
        s.read(1);
    s.own_a[0] = 3;
    while (s.settings_a[0] < 7)
        s.read(4);
    s.own_a[0] = 6.8;
    s.read(4, 500ms);
    CHECK(start_headroom_a(s) == Approx(0.97 * 90 - 4 - 4).margin(0.1));
    s.read(8, 2s);
    CHECK(start_headroom_a(s) == Approx(0.97 * 90 - 8).margin(0.3));
    CHECK(s.marshal.load(0).drawn_a == Approx(6.8));
}

TEST_CASE("a load that draws although it is off is told nothing while the link is down, or just up") {
    const bool up = GENERATE(false, true);
    CAPTURE(up);
    Rig rig = heater_on_a_plug();
    rig.loads[0].own_meter = quick;
    rig.loads[0].wanted_at_start = false;
    Stand s(rig);
    s.own_a[0] = 12;
    if (up) s.send(LinkChanged{s.now, true});
    CHECK(s.read(13, 900ms).empty());
    CHECK(s.read(13, 20s).empty() == !up);
    CHECK(s.alert("disobedience") == up);
}

TEST_CASE(
    "a load that was given up as the link was down, and draws after all, is told nothing before it is up") {
    Rig rig = heater_on_a_plug();
    rig.loads[0].own_meter = quick;
    rig.loads[0].control = Control::switched;
    Stand s(rig);
    s.own_a[0] = 0;
    s.send(LinkChanged{s.now, true});
    while (!s.on(0))
        s.read(1);
    s.send(LinkChanged{s.now, false});
    s.read(1, 10s);
    REQUIRE(s.alert("did_not_start"));
    s.own_a[0] = 12;
    CHECK(s.read(13, 10s).empty());
    CHECK_FALSE(s.alert("disobedience"));
    s.send(LinkChanged{s.now, true});
    CHECK_FALSE(s.read(13, 10s).empty());
    CHECK(s.alert("disobedience"));
}

TEST_CASE("a load that draws although it is off is told nothing while only observing") {
    Rig rig = heater_on_a_plug();
    rig.observing = true;
    rig.loads[0].reports_switch = true;
    rig.loads[0].wanted_at_start = false;
    Stand s(rig);
    s.own_a[0] = 12;
    s.settle(13, 20s);
    REQUIRE_FALSE(s.marshal.load(0).commanded_on);
    CHECK(s.read(13, 20s).empty());
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("the leg's fall is believed where a meter of its own has spoken since, and stays where it was") {
    // Beside what nobody controls nothing else would tell: by the books no more than that is drawn.
    MeteredMotor s(quick);
    s.read(21, 5s);
    s.own_a[0] = 10;
    s.read(67, 200ms);
    s.read(31, 5s);
    REQUIRE(s.state(0) == "running");
    s.read(21, 400ms);
    CHECK(s.state(0) == "permitted");
    CHECK(s.marshal.load(0).drawn_a == 0);
    s.read(21, 5s);  // and it is not believed again before it moves
    CHECK(s.state(0) == "permitted");
    CHECK(start_headroom_a(s) == Approx(0.97 * 300 - 21 - 46).margin(0.1));
}

TEST_CASE(
    "a meter of its own that tells of more than flows on the leg is not believed, and no other suffers") {
    Rig rig = rig_of({breaker(50, Feed::two_legs)},
                     {resistive("lies", 1, 12), resistive("idle", 2, 9), resistive("plain", 3, 4),
                      resistive("elsewhere", 4, 8, LegSet(Leg::l2))},
                     LegSet::both());
    for (const LoadIndex i : {0U, 1U, 3U})
        rig.loads[i].own_meter = quick;
    Stand s(rig);
    s.own_a = {{0, 0}, {1, 0}, {3, 0}};
    s.settle(1, 20s);
    s.own_a[3] = 8;
    s.read(1, 3s, 8);
    s.own_a[0] = 12;
    s.read(1, 3s, 8);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(3) == "running");
    s.read(5, 3s, 8);  // the plain one starts
    CHECK(s.state(0) == "permitted");
    CHECK(s.marshal.load(0).drawn_a == 0);
    CHECK(s.state(1) == "permitted");
    CHECK(s.state(3) == "running");
    CHECK(s.marshal.load(3).drawn_a == Approx(8));
}

TEST_CASE("who rests unknown is no load whose own meter shows that it did not run") {
    const bool metered = GENERATE(false, true);
    CAPTURE(metered);
    Rig rig = rig_of({breaker(50)}, {air_conditioner("front", 1, 40, 12)});
    if (metered) rig.loads[0].own_meter = quick;
    Stand s(rig);
    if (metered) s.own_a[0] = 0;
    s.settle(1, 5s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, 200s);
    s.read(15.2, 60s);  // as much as it draws
    s.read(1, 2s);
    s.send(OperatorRequest{s.now, 0, Request::release});
    s.read(1, 2s);
    CHECK(s.on(0) == metered);
}

TEST_CASE("a start that does not settle is not the stall of a load whose own meter stays where it is") {
    std::vector<Load> loads;
    for (const char* id : {"one", "two", "metered"}) {
        loads.push_back(air_conditioner(id, static_cast<int>(loads.size()) + 1, 46, 10));
        loads.back().stages.erase(loads.back().stages.begin());
        loads.back().stages.front().latest_after = 600s;
    }
    loads.back().own_meter = quick;
    const bool alone = GENERATE(false, true);  // besides the one that has a meter
    CAPTURE(alone);
    Stand s(rig_of({breaker(200)}, loads));
    s.own_a[2] = 0;
    if (alone) s.send(OperatorRequest{s.now, 1, Request::hold});
    s.settle(1, 2000s);
    REQUIRE(s.on(0));
    REQUIRE(s.on(1) == !alone);
    REQUIRE(s.on(2));
    s.read(46, 3s);
    CHECK(s.on(2));
    CHECK_FALSE(s.on(0));
    CHECK_FALSE(s.on(1));
    CHECK(s.why(0) == (alone ? "locked_out_stall" : "shed_start_lost"));
    CHECK(s.alert("stall") == alone);
}

TEST_CASE("a switched load did not start where its own meter shows nothing, whatever rises on the leg") {
    const bool metered = GENERATE(false, true);
    CAPTURE(metered);
    Rig rig = rig_of({breaker(50)}, {resistive("heater", 1, 12)});
    rig.loads[0].control = Control::switched;
    if (metered) rig.loads[0].own_meter = quick;
    Stand s(rig);
    if (metered) s.own_a[0] = 0;
    s.send(LinkChanged{s.now, true});
    while (!s.on(0))
        s.read(1);
    s.read(13, 5s);  // a kettle, perhaps
    CHECK(s.alert("did_not_start") == metered);
    CHECK(s.on(0) == !metered);
}

TEST_CASE("a start that begins when a load's own meter has shown its stop already is no part of that") {
    // The leg alone takes it for the motor that has stopped, as its next start is the worse one.
    Rig rig = rig_of({breaker(100)},
                     {resistive("metered", 1, 12), motor("motor", 2, 30, 10.5), resistive("heater", 3, 7)});
    rig.loads[0].own_meter = plug;
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 30s);
    s.read(31, 300ms);
    s.read(11.5, 5s);
    s.own_a[0] = 12;
    s.read(23.5, 10s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(1) == "running");
    s.own_a[0] = 0;
    s.read(12.2, 1500ms);
    REQUIRE(s.state(0) == "running");
    s.read(19.2, 5s);
    CHECK(s.state(0) == "permitted");
    CHECK(s.state(2) == "running");
}

TEST_CASE("a stop that a load's own meter denies was another's, whose next start stays reserved") {
    const LoadIndex kettle = GENERATE(LoadIndex{1}, LoadIndex{2});
    const LoadIndex microwave = 3 - kettle;
    Rig rig = rig_of({breaker(100)},
                     {resistive("heater", 1, 14), observed("microwave", 11), observed("kettle", 12.5)});
    rig.loads[0].own_meter = plug;
    rig.loads[2].stages[0].start_a = 12.5;
    if (kettle == 1) std::swap(rig.loads[1], rig.loads[2]);
    Stand s(rig);
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.own_a[0] = 14;
    s.read(15, 5s);
    s.read(26, 5s);
    REQUIRE(s.marshal.load(microwave).drawn_a == Approx(11).margin(0.5));
    s.read(38.5, 5s);
    REQUIRE(s.marshal.load(kettle).drawn_a == Approx(12.5).margin(0.5));
    const double free_a = start_headroom_a(s);
    s.read(25.5, 5s);  // of the three the heater's next start would be the worst, and the kettle's comes next
    REQUIRE(s.marshal.load(0).drawn_a == Approx(14));
    CHECK(s.marshal.load(microwave).drawn_a == Approx(11).margin(0.5));
    CHECK(s.marshal.load(kettle).drawn_a == 0);
    CHECK(start_headroom_a(s) == Approx(free_a + 13 - 12.5).margin(0.5));
}

TEST_CASE(
    "a stop that a load's own meter tells as its leg moves again is no part of that if it has moved before") {
    // A lamp went off as it was told to stop, so that the leg did not tell whose stop it was. With the
    // heater's current added the fan's start comes close to that of the whole air conditioner.
    Rig rig =
        with_period(rig_of({breaker(100)}, {resistive("heater", 1, 4), air_conditioner("ac", 2, 40, 7)}), 1s);
    rig.loads[0].own_meter = OwnMeter{.period = 2s, .stale_after = 6s};
    rig.loads[0].switch_latency = 500ms;
    Stand s(rig);
    s.reads_every = 1s;
    s.send(DemandChanged{s.now, 1, false});
    s.own_a[0] = 0;
    s.settle(21, 200s);
    s.own_a[0] = 4;
    s.read(25, 21s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.own_a[0] = 0;
    s.read(18, 2s);
    s.send(DemandChanged{s.now, 1, true});
    REQUIRE(s.on(1));
    s.read(20, 5s);
    REQUIRE(s.starts.back().load == 1);
    CHECK(s.starts.back().stage == 0);
    CHECK(s.marshal.load(1).drawn_a == Approx(2).margin(0.1));
}

TEST_CASE("what comes on as the supply is back is booked to nobody, also beside a stop that is known") {
    const bool beside = GENERATE(false, true);
    CAPTURE(beside);
    Rig rig = rig_of({breaker(100)}, {observed("metered", 20), observed("kettle", 6)});
    rig.loads[0].own_meter = OwnMeter{100ms, 1s};
    Stand s(rig);
    s.voltage_v = 120;
    s.own_a[0] = 0;
    s.settle(1, 20s);
    s.voltage_v = 0;
    s.read(0, 5s);
    REQUIRE(s.alert("supply_lost"));
    s.voltage_v = 120;
    if (beside) {  // the leg falls as a whole
        s.own_a[0] = 20;
        s.read(21, 1s);
        CHECK(s.marshal.load(0).drawn_a == Approx(20));
        s.own_a[0] = 0;
        s.read(21, 300ms);
        s.read(7, 3s);
    } else {
        s.read(1, 500ms);
        s.read(7, 3s);
    }
    CHECK(s.marshal.load(1).drawn_a == 0);
}

TEST_CASE("a load that drew although it was off rests from when its own meter falls, whatever was believed") {
    const bool fell = GENERATE(true, false);
    CAPTURE(fell);
    Rig rig = rig_of({breaker(100)}, {air_conditioner("front", 1, 30, 10), observed("oven", 12.5)});
    rig.loads[0].wanted_at_start = false;
    rig.loads[0].own_meter = plug;
    Stand s(rig);
    s.own_a[0] = fell ? 12 : 0;
    s.settle(13, 20s);
    REQUIRE((s.state(0) == "locked_out") == fell);
    s.read(1, 5s);  // the oven, which ran unknown: the plug's meter is doubted
    s.send(OperatorRequest{s.now, 0, Request::acknowledge});
    s.read(1, 200s);
    REQUIRE(s.state(0) == "off");
    s.own_a[0] = 0;
    s.read(1, 3s);
    s.send(DemandChanged{s.now, 0, true});
    s.read(1, 20s);
    CHECK(s.on(0) == !fell);
    s.read(1, 180s);
    CHECK(s.on(0));
}
