// The Marshal and the line: voltage, frequency, neutral, battery. Figures: a 115 V motor less 10 % is 103.5 V
// and motors stand 5 % of their frequency (NEMA MG 1, 12.44); 127 V ends range B for service voltage (ANSI
// C84.1).
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

/// A line of 121 V behind `ohm`: the voltage follows the current that is read.
struct Cord {
    Stand& s;
    double ohm;

    void read(double current_a, Duration for_) {
        s.voltage_v = 121 - ohm * current_a;
        s.read(current_a, for_);
    }
};

}  // namespace

TEST_CASE(
    "a long thin cord is learned from the steps of other loads, and holds a start that would sag too low") {
    // 0.25 ohm: a start of 46 A pulls 121 V down to about 109 V less 11.5 V.
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10), air_conditioner("front", 2, 80, 11)}));
    s.send(DemandChanged{s.now, 1, false});
    s.send(LinkChanged{s.now, true});
    Cord cord{s, 0.25};
    for (int n = 0; n < 6; ++n) {
        cord.read(1, 20s);
        cord.read(11, 20s);
    }
    REQUIRE(s.marshal.impedance_ohm(Leg::l1));
    CHECK(*s.marshal.impedance_ohm(Leg::l1) == Approx(0.25).margin(0.01));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    cord.read(1, 120s);
    s.send(DemandChanged{s.now, 1, true});
    cord.read(1, 5s);
    CHECK_FALSE(s.on(1));
    CHECK(s.why(1) == "voltage_too_low");
    // 121 - 0.25 x (1 + 82) = 100.25 V, less twice the uncertainty.
    CHECK(s.marshal.load(1).reason.line_v == Approx(100.25).margin(0.5));
    CHECK(s.says(1) == "its start would pull L1 down to 100 V, and at least 104 V should stay");
}

TEST_CASE("the same start is granted behind a short thick cord") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10), air_conditioner("front", 2, 80, 11)}));
    s.send(DemandChanged{s.now, 1, false});
    s.send(LinkChanged{s.now, true});
    Cord cord{s, 0.05};
    for (int n = 0; n < 6; ++n) {
        cord.read(1, 20s);
        cord.read(11, 20s);
    }
    s.send(OperatorRequest{s.now, 0, Request::hold});
    cord.read(1, 120s);
    s.send(DemandChanged{s.now, 1, true});
    cord.read(1, 5s);
    CHECK(s.on(1));
}

TEST_CASE("a voltage that stays too low sheds one load at a time, a short sag sheds none") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 8), resistive("b", 2, 8)}));
    s.voltage_v = 118;
    s.settle(1, 3s);
    s.read(9, 3s);
    s.read(17, 3s);
    REQUIRE(s.state(1) == "running");
    s.voltage_v = 103;
    CHECK(s.read(17, 3s).empty());
    CHECK_FALSE(s.alert("low_voltage"));
    const auto commands = s.read_until_command(17, 4s);
    REQUIRE(commands.size() == 1);
    CHECK(commands[0].load == 1);
    CHECK(commands[0].reason.kind == ReasonKind::shed_voltage);
    CHECK(s.alert("low_voltage"));
    CHECK(s.read(9, 3s).empty());
    s.voltage_v = 117;
    s.read(9, 40s);
    CHECK(s.on(0));
    CHECK_FALSE(s.alert("low_voltage"));
}

TEST_CASE("a voltage that is too high is told, and taken back when it is normal again") {
    Stand s(rig_of({breaker(30)}, {}));
    s.voltage_v = 128;
    s.settle(1, 10s);
    CHECK(s.alert("high_voltage"));
    s.voltage_v = 126.5;  // not low enough for the all-clear
    s.read(1, 60s);
    CHECK(s.alert("high_voltage"));
    s.voltage_v = 122;
    s.read(1, 60s);
    CHECK_FALSE(s.alert("high_voltage"));
}

TEST_CASE("a generator that bogs down is relieved of its last load") {
    Stand s(rig_of({generator(3000, 3600)}, {resistive("a", 1, 8), resistive("b", 2, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.read(17, 3s);
    s.frequency_hz = 56.5;
    const auto commands = s.read_until_command(17, 5s);
    REQUIRE(commands.size() == 1);
    CHECK(commands[0].load == 1);
    CHECK(commands[0].reason.kind == ReasonKind::shed_frequency);
    CHECK(s.alert("low_frequency"));
    s.frequency_hz = 59.5;
    s.read(9, 60s);
    CHECK_FALSE(s.alert("low_frequency"));
    CHECK(s.on(0));
}

TEST_CASE(
    "legs that move apart around an unchanged sum lock out every 120 V load until a person has looked") {
    Rig rig = rig_of({breaker(50, Feed::two_legs)},
                     {resistive("a", 1, 8), resistive("b", 2, 8, LegSet(Leg::l2)),
                      resistive("range", 3, 10, LegSet::both())},
                     LegSet::both());
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    const auto legs = [&](double l1_v, double l2_v, Duration for_) {
        for (const Instant end = s.now + for_; s.now < end;) {
            s.now += 100ms;
            s.send(MeterSample{s.now, Leg::l1, 1, {}, l1_v, {}});
            s.send(MeterSample{s.now, Leg::l2, 1, {}, l2_v, {}});
        }
    };
    legs(120, 121, 10s);
    REQUIRE(s.on(0));
    REQUIRE(s.on(2));
    SECTION("an open neutral") {
        legs(98, 143, 3s);
        CHECK(s.alert("open_neutral"));
        CHECK(s.state(0) == "locked_out");
        CHECK(s.state(1) == "locked_out");
        CHECK(s.on(2));
        CHECK_FALSE(s.on(0));
        legs(120, 121, 300s);
        CHECK(s.state(0) == "locked_out");
        s.send(OperatorRequest{s.now, 0, Request::acknowledge});
        CHECK(s.alert("open_neutral"));
        s.send(OperatorRequest{s.now, 1, Request::acknowledge});
        CHECK_FALSE(s.alert("open_neutral"));
        legs(120, 121, 10s);
        CHECK(s.on(0));
    }
    SECTION("a heavy load on one leg is none") {
        legs(112, 121, 10s);
        CHECK_FALSE(s.alert("open_neutral"));
        CHECK(s.on(0));
    }
    SECTION("both legs low is none") {
        legs(106, 108, 3s);
        CHECK_FALSE(s.alert("open_neutral"));
    }
}

TEST_CASE(
    "on an inverter loads wait for the battery's charge, are shed when it is low, and come back with "
    "hysteresis") {
    Source inverter = compile("inverter", "the inverter", 120, Feed::one_leg,
                              InverterPlate{.continuous_w = 2000, .surge_w = 4000, .surge_for = 5s});
    inverter.low_battery = LowBattery{20, 30};
    Stand s(rig_of({inverter, breaker(30)}, {resistive("a", 1, 8)}));
    s.settle(1, 5s);
    CHECK(s.why(0) == "waits_for_battery");
    s.send(BatteryCharge{s.now, 55});
    s.read(1);
    CHECK(s.on(0));
    s.read(9, 3s);
    s.send(BatteryCharge{s.now, 19});
    CHECK_FALSE(s.on(0));
    CHECK(s.alert("battery_low"));
    s.send(BatteryCharge{s.now, 25});
    s.read(1, 60s);
    CHECK(s.why(0) == "battery_low");
    s.send(BatteryCharge{s.now, 30});
    s.read(1, 60s);
    CHECK(s.on(0));
    CHECK_FALSE(s.alert("battery_low"));
    s.send(BatteryCharge{s.now, 5});
    s.send(SourceChanged{s.now, 1});
    s.read(1, 60s);
    CHECK(s.on(0));
}

TEST_CASE("a motor that would pull the line too low makes room for itself like any other") {
    Rig rig = rig_of({breaker(50)}, {air_conditioner("front", 1, 40, 11), resistive("heater", 2, 20)});
    Stand s(rig);
    s.send(DemandChanged{s.now, 0, false});
    s.send(LinkChanged{s.now, true});
    Cord cord{s, 0.33};
    for (int n = 0; n < 6; ++n) {
        cord.read(1, 20s);
        cord.read(21, 20s);
    }
    REQUIRE(s.state(1) == "running");
    cord.read(21, 100s);
    s.send(
        DemandChanged{s.now, 0, true});  // 121 V - 0.33 ohm x (21 + 42 A) = 100 V; without the heater 107 V
    cord.read(21, 100ms);
    CHECK_FALSE(s.on(1));
    CHECK(s.why(1) == "shed_for_rank");
    CHECK(s.why(0) == "makes_room");
    cord.read(1, 2s);
    CHECK(s.on(0));
}
