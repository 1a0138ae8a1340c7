// The Marshal and starts that fail, or look as if they did: what stands on a leg and is no healthy start, and
// what only looks so. Currents are invented.
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

TEST_CASE("of a load that is stuck on, what is still to come of its start stays reserved") {
    Rig rig = rig_of({breaker(15)}, {air_conditioner("front", 1, 36, 10), resistive("heater", 2, 8)});
    rig.loads[0].reports_switch = true;
    rig.loads[0].wanted_at_start = rig.loads[1].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 10s);
    for (int times = 0; times < 4; ++times) {
        s.send(SwitchFeedback{s.now, 0, true, true});
        s.read(3, 2s);  // its fan
    }
    REQUIRE(s.state(0) == "locked_out");
    s.send(DemandChanged{s.now, 1, true});
    s.read(3, 10s);
    CHECK_FALSE(s.on(1));
}

TEST_CASE("a switched load that says it is on and draws little stays on, with its start reserved") {
    Rig rig = rig_of({breaker(30)}, {resistive("charger", 1, 9), resistive("heater", 2, 12)});
    rig.loads[0].control = Control::switched;
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 6s);
    REQUIRE(s.on(0));
    s.send(SwitchFeedback{s.now, 0, true, true});
    SECTION("the meter lives") {
        s.read(1.3, 10s);
        CHECK(s.on(0));
        CHECK_FALSE(s.alert("did_not_start"));
        CHECK(s.state(0) == "permitted");
    }
    SECTION("a meter that says the very same as before may be frozen") {
        s.read(1, 10s);
        CHECK_FALSE(s.on(0));
        CHECK(s.alert("did_not_start"));
    }
}

TEST_CASE("two healthy starts that come at the same moment are no stall") {
    Rig rig = rig_of({breaker(50)}, {air_conditioner("a", 1, 20, 11), resistive("heater", 2, 11.5)});
    rig.loads[1].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 200s);
    s.read(3, 70s);  // its fan alone, longer than its compressor was expected to take
    s.send(DemandChanged{s.now, 1, true});
    REQUIRE(s.on(1));
    s.read(21, 200ms);
    s.read(25.5, 3s);
    CHECK(s.state(0) == "running");
    CHECK(s.state(1) == "running");
    CHECK_FALSE(s.alert("stall"));
}

TEST_CASE("one reading that is far too high while a start settles is no stall") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 46, 10)}));
    s.settle();
    s.read(3, 5s);
    s.read(48, 200ms);
    s.read(13, 700ms);
    s.read(45);  // a spike, as the movement is still open after its window
    CHECK(s.on(0));
    s.read(13, 5s);
    CHECK(s.on(0));
    CHECK(s.state(0) == "running");
    CHECK_FALSE(s.alert("stall"));
}

TEST_CASE("a charger without feedback that draws little is left on") {
    Load charger = resistive("charger", 1, 7.3);
    charger.control = Control::switched;
    Stand s(rig_of({breaker(30)}, {charger}));
    s.settle(1, 2s);
    REQUIRE(s.on(0));
    SECTION("it is on, and its start stays reserved") {
        s.read(3.3, 600s);
        CHECK(s.on(0));
        CHECK_FALSE(s.alert("did_not_start"));
        CHECK(s.marshal.limits()[0].start_headroom_a == Approx(0.97 * 90 - 3.3 - 7.3).margin(0.1));
    }
    SECTION("nothing came") {
        s.read(1, 10s);
        CHECK_FALSE(s.on(0));
        CHECK(s.alert("did_not_start"));
    }
}

TEST_CASE("a switched air conditioner whose compressor does not come goes on blowing") {
    Load load = air_conditioner("unit", 1, 40, 10);
    load.control = Control::switched;
    Stand s(rig_of({breaker(30)}, {load}));
    s.settle(1, 182s);
    s.read(3, 120s);
    CHECK(s.on(0));
    CHECK_FALSE(s.alert("did_not_start"));
    CHECK(s.marshal.load(0).drawn_a == Approx(2).margin(0.2));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    CHECK_FALSE(s.on(0));
}

TEST_CASE("two starts between two readings of a slow meter are no stall of a third load") {
    const bool slow = GENERATE(true, false);
    CAPTURE(slow);
    Load motor = resistive("motor", 1, 8);
    motor.stages[0] = {"motor", 20, 500ms, 8, 1s};
    // Which two of the three heaters it was cannot be told, so none is booked.
    Rig rig = rig_of({breaker(100)},
                     {motor, resistive("one", 2, 9), resistive("two", 3, 7), resistive("three", 4, 6.8)});
    if (slow) rig.timing.meter_period[Leg::l1] = 1s;
    Stand s(rig);
    s.settle(1, 30s);
    for (const LoadIndex i : {0U, 1U, 2U, 3U})
        REQUIRE(s.on(i));
    s.read(17, 5s);
    CHECK_FALSE(s.alert("stall"));
    CHECK(s.on(0) == slow);  // on a quick meter it is unlikely enough to tell the motor off
}

namespace {

/// A motor of 10 A that starts with 20 A, and is let, beside 1 A.
struct LetStart : Stand {
    LetStart() : Stand(rig_of({breaker(100)}, {motor("motor", 1, 20, 10)})) { settle(1, 30s); }
};

}  // namespace

TEST_CASE("only a current that is as high as its peak locks a load out for a stall") {
    const double peak_a = GENERATE(18, 23);
    CAPTURE(peak_a);
    LetStart s;
    s.read(1 + peak_a, 200ms);
    s.read(17.5, 5s);
    CHECK(s.alert("stall") == (peak_a == 18));
    CHECK_FALSE(s.on(0));  // else it is told off to be sure
}

TEST_CASE("a current that is well above its peak locks no load out for a stall") {
    const double locked_a = GENERATE(23, 25.5);
    CAPTURE(locked_a);
    LetStart s;
    s.read(1 + locked_a, 5s);
    CHECK(s.alert("stall") == (locked_a == 23));
    CHECK_FALSE(s.on(0));  // else it is told off to be sure
}

TEST_CASE("a current that rises again after it has come down is several starts, and locks nobody out") {
    const double dip_a = GENERATE(18, 12.5);
    CAPTURE(dip_a);
    LetStart s;
    s.read(19, 200ms);
    s.read(dip_a, 200ms);
    s.read(18.5, 5s);
    CHECK(s.alert("stall") == (dip_a == 18));
    CHECK_FALSE(s.on(0));  // else it is told off to be sure
}

TEST_CASE("a start that comes soon after another has its own time to run up") {
    Stand s(rig_of({breaker(100)}, {motor("motor", 1, 16, 8), observed("oven", 12)}));
    s.settle(1, 30s);
    s.read(13, 600ms);
    s.read(24.3, 300ms);
    CHECK(s.on(0));
    s.read(21, 5s);
    CHECK_FALSE(s.alert("stall"));
}

TEST_CASE("two of the same that start in the same moment are no stall of one, if they run up together") {
    Stand s(
        rig_of({breaker(100)}, {air_conditioner("front", 1, 15, 7.6), air_conditioner("rear", 2, 12, 7.5)}));
    s.settle(5, 240s);
    REQUIRE(s.on(1));
    s.read(9, 5s);
    REQUIRE_FALSE(s.alert("stall"));
    const bool run_up = GENERATE(true, false);
    CAPTURE(run_up);
    s.read(run_up ? 38 : 24, 200ms);
    s.read(24, 3s);
    CHECK_FALSE(s.alert("stall"));
    CHECK(s.on(0) == run_up);  // to be sure
}

TEST_CASE("two compressors whose fans run unknown are no stall of one of them") {
    Rig rig =
        rig_of({breaker(100)}, {air_conditioner("front", 1, 20, 10), air_conditioner("rear", 2, 8, 7.5)});
    rig.timing.meter_period[Leg::l1] = 1s;
    Stand s(rig);
    const bool lost_in_noise = GENERATE(true, false);
    CAPTURE(lost_in_noise);
    const double fans_a = lost_in_noise ? 58 : 5;
    s.settle(lost_in_noise ? 58 : 1, 240s);
    REQUIRE(s.on(0));
    REQUIRE(s.on(1));
    s.read(3, lost_in_noise ? 0s : 5s);  // either's
    s.read(fans_a, 5s);
    s.read(fans_a + 17.7, 5s);
    CHECK_FALSE(s.alert("stall"));
    CHECK(s.on(0));
}

TEST_CASE("a charger that has tapered off and is just switched on is no stall of another load") {
    Load motor = resistive("motor", 1, 2);
    motor.stages[0] = {"motor", 4.5, 500ms, 2, 1s};
    Load charger = resistive("charger", 2, 10);
    charger.control = Control::switched;
    Rig rig = rig_of({breaker(100)}, {motor, charger});
    rig.loads[1].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 10s);
    REQUIRE(s.on(0));
    const bool charges = GENERATE(true, false);
    CAPTURE(charges);
    if (charges) s.send(DemandChanged{s.now, 1, true});
    s.read(1, 200ms);
    s.read(5.6, 5s);
    CHECK(s.alert("stall") == !charges);
}

TEST_CASE("a compressor whose fan runs unknown is no stall of another load") {
    Load motor = resistive("motor", 2, 5);
    motor.stages[0] = {"motor", 12, 500ms, 5, 1s};
    Rig rig = rig_of({breaker(200)}, {air_conditioner("front", 1, 12, 9.3), motor});
    rig.timing.meter_period[Leg::l1] = 1s;
    Stand s(rig);
    s.settle(58, 240s);  // the fan is lost in the noise
    REQUIRE(s.on(0));
    REQUIRE(s.on(1));
    s.read(67, 8s);
    CHECK_FALSE(s.alert("stall"));
    CHECK(s.on(1));
}

TEST_CASE("of a load that sticks while only its fan runs, the compressor's start stays reserved") {
    Rig rig = rig_of({breaker(30)}, {air_conditioner("a", 1, 40, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 185s);
    REQUIRE(s.on(0));
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, 2s);
    const double free_a = s.marshal.limits()[0].start_headroom_a;
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(4.9, 400ms);
    s.read(3, 2s);
    for (int i = 0; i < 6; ++i) {
        s.send(SwitchFeedback{s.now, 0, true, true});
        s.read(3, 2s);
    }
    REQUIRE(s.state(0) == "locked_out");
    CHECK(s.marshal.limits()[0].start_headroom_a <= free_a - 2 - 40 + 1);
}

TEST_CASE("a start beside a stop between two readings of a slow meter is no stall of a third load") {
    const Duration period = GENERATE(1000ms, 100ms);
    CAPTURE(period);
    const Rig rig =
        rig_of({breaker(100)}, {motor("motor", 1, 20, 6), resistive("one", 2, 9), resistive("two", 3, 13),
                                resistive("three", 4, 24), resistive("four", 5, 28)});
    Stand s(with_period(rig, period));
    s.reads_every = period;
    s.settle(1, 60s);
    s.read(10, 10s);
    s.read(23, 10s);
    REQUIRE(s.on(0));
    s.read(38.2, 10s);  // three without one, or four without two
    CHECK(s.alert("stall") == (period < 500ms));
}

TEST_CASE("two starts beside one that was expected are no stall of a fourth load") {
    const bool expected = GENERATE(true, false);
    CAPTURE(expected);
    Rig rig = rig_of({breaker(100)}, {motor("motor", 1, 30, 12), resistive("one", 2, 9),
                                      resistive("two", 3, 10.8), resistive("commanded", 4, 9.6)});
    rig.loads[3].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 30s);
    if (expected) s.send(DemandChanged{s.now, 3, true});
    REQUIRE(s.on(3) == expected);
    s.read(30.4, 5s);
    CHECK(s.alert("stall") == !expected);
    CHECK_FALSE(s.on(0));  // else it is told off to be sure
}
