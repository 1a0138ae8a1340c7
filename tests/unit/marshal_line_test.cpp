// The Marshal and the line: voltage, frequency, neutral, battery. Figures: a 115 V motor less 10 % is 103.5 V
// and motors stand 5 % of their frequency (NEMA MG 1, 12.44); 127 V ends range B for service voltage (ANSI
// C84.1).
#include <algorithm>

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

namespace {

/// Two legs of 120 V, each with a heater of 8 A, and a voltage of its own.
struct TwoLegs {
    explicit TwoLegs(std::optional<double> l1_v = 120, std::optional<double> l2_v = 120) {
        s.send(LinkChanged{s.now, true});
        read(l1_v, l2_v, 1, 1, 10s);
    }

    std::vector<Switch> read(std::optional<double> l1_v, std::optional<double> l2_v, double l1_a, double l2_a,
                             Duration for_) {
        std::vector<Switch> all;
        for (const Instant end = s.now + for_; s.now < end;) {
            s.now += 100ms;
            for (const auto& sample : {MeterSample{s.now, Leg::l1, l1_a, {}, l1_v, {}},
                                       MeterSample{s.now, Leg::l2, l2_a, {}, l2_v, {}}}) {
                const auto seen = s.send(sample);
                all.insert(all.end(), seen.begin(), seen.end());
            }
        }
        return all;
    }

    Stand s{rig_of({breaker(50, Feed::two_legs)},
                   {resistive("on L2", 1, 8, LegSet(Leg::l2)), resistive("on L1", 2, 8)}, LegSet::both())};
};

}  // namespace

TEST_CASE("a supply of two legs is gone when either is, and back when both are") {
    TwoLegs rig;
    REQUIRE(rig.s.on(0));
    rig.read(120, 3, 1, 0, 2s);
    CHECK(rig.s.alert("supply_lost"));
    CHECK_FALSE(rig.s.on(0));
    CHECK_FALSE(rig.s.on(1));
    rig.read(2, 3, 0, 0, 2s);
    rig.read(120, 3, 1, 0, 60s);
    CHECK(rig.s.alert("supply_lost"));
    CHECK_FALSE(rig.s.on(1));
    rig.read(120, 120, 1, 1, 60s);
    CHECK_FALSE(rig.s.alert("supply_lost"));
    CHECK(rig.s.on(0));
    CHECK(rig.s.on(1));
}

TEST_CASE("a leg that sags is relieved of what draws on it, and of nothing else") {
    TwoLegs rig;
    SECTION("of a load of higher rank, if that is what draws there") {
        rig.read(120, 120, 9, 9, 3s);
        REQUIRE(rig.s.state(0) == "running");
        REQUIRE(rig.s.state(1) == "running");
        const auto told = rig.read(120, 100, 9, 9, 5200ms);
        REQUIRE(told.size() == 1);
        CHECK(told[0].load == 0);
        CHECK(rig.s.says(0).find("shed: L2 is down to 100 V") == 0);
        CHECK(rig.s.on(1));
    }
    SECTION("of nothing where what is on draws nothing: that is told, and the permits stay") {
        CHECK(rig.read(120, 100, 9, 1, 20s).empty());
        CHECK(rig.s.alert("low_voltage"));
        CHECK(rig.s.on(0));
    }
}

TEST_CASE("a generator that bogs down under what nobody controls keeps the permits that are not used") {
    Stand s(rig_of({generator(3000, 3600)}, {resistive("heater", 1, 5)}));
    s.settle(20, 3s);
    s.frequency_hz = 56;
    CHECK(s.read(20, 20s).empty());
    CHECK(s.alert("low_frequency"));
}

TEST_CASE("the neutral is not called open where the voltage of one leg is not measured") {
    const bool only_l1 = GENERATE(true, false);
    const std::optional<double> unknown_v;
    TwoLegs rig(only_l1 ? std::optional(120.0) : unknown_v, only_l1 ? unknown_v : std::optional(120.0));
    rig.read(only_l1 ? std::optional(143.0) : unknown_v, only_l1 ? unknown_v : std::optional(143.0), 1, 1,
             20s);
    CHECK(rig.s.alert("high_voltage"));
    CHECK_FALSE(rig.s.alert("open_neutral"));
    CHECK(rig.s.on(0));
    CHECK(rig.s.on(1));
}

TEST_CASE("a leg that sags by what it carries is not called one without a neutral") {
    TwoLegs rig;
    for (int start = 0; start < 4; ++start) {  // 0.2 ohm
        rig.read(118, 120, 11, 1, 5s);
        rig.read(120, 120, 1, 1, 5s);
    }
    SECTION("where its impedance explains the difference") {
        rig.read(107, 121, 66, 1, 5s);
        CHECK_FALSE(rig.s.alert("open_neutral"));
        CHECK(rig.s.marshal.load(0).lockout == Lockout::none);
    }
    SECTION("but where it carries no more than the other, it is") {
        rig.read(107, 121, 66, 66, 2s);
        CHECK(rig.s.alert("open_neutral"));
    }
    SECTION("and where the other one carries more, it is") {
        rig.read(107, 121, 1, 20, 2s);
        CHECK(rig.s.alert("open_neutral"));
    }
    SECTION("and where the other one rises above what a supply may have, it is") {
        rig.read(113, 128, 66, 1, 2s);
        CHECK(rig.s.alert("open_neutral"));
    }
}

TEST_CASE("an open neutral locks out also what is off, and what cannot be told while the link is down") {
    TwoLegs rig;
    rig.s.send(OperatorRequest{rig.s.now, 0, Request::hold});
    const bool link = GENERATE(true, false);
    rig.s.send(LinkChanged{rig.s.now, link});
    const auto told = rig.read(98, 143, 1, 1, 2s);
    CHECK(rig.s.marshal.load(0).lockout == Lockout::neutral);
    CHECK(rig.s.marshal.load(1).lockout == Lockout::neutral);
    const auto stops_l1 = [](const Switch& command) { return command.load == 1 && !command.on; };
    CHECK(std::any_of(told.begin(), told.end(), stops_l1) == link);
    rig.s.send(LinkChanged{rig.s.now, true});
    rig.read(120, 120, 1, 1, 5s);
    CHECK_FALSE(rig.s.on(1));
}

TEST_CASE("what was told to stop while the supply was away is told again when it is back") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}));
    s.voltage_v = 120;
    s.settle(1, 5s);
    s.read(11, 5s);
    s.voltage_v = 0;
    s.read(0, 10s);
    REQUIRE_FALSE(s.on(0));
    s.voltage_v = 120;
    const auto told = s.read(1);
    REQUIRE(told.size() == 1);
    CHECK_FALSE(told[0].on);
    s.read(1, 60s);
    CHECK(s.on(0));
}

TEST_CASE("a switch is not told the same without end, however many reasons there are to tell it again") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 40)}));
    s.voltage_v = 120;
    s.settle(1, 5s);
    int told = 0;
    for (int supply = 0; supply < 40; ++supply) {
        s.voltage_v = 0;
        told += offs(s.read(0, 7s));
        s.voltage_v = 120;
        told += offs(s.read(1, 8s));
    }
    CHECK(told >= 5);
    CHECK(told <= 10);
    s.read(1, 15min);
    s.voltage_v = 0;
    s.read(0, 7s);
    s.voltage_v = 120;
    CHECK(offs(s.read(1, 8s)) == 1);
}

TEST_CASE("what is told to stop while the supply is away is told again, as nothing shows whether it heard") {
    const Duration away = GENERATE(60s, 3s);
    CAPTURE(away);
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 40, 10)}));
    s.voltage_v = 120;
    s.settle(1, 240s);
    s.read(3, 5s);
    s.voltage_v = 0;
    auto told = s.read(0, away).size();
    s.voltage_v = 120;
    REQUIRE(s.read(3).size() == 1);
    told += s.read(3, 60s).size();
    CHECK_FALSE(s.on(0));
    CHECK(told == 4);
}

TEST_CASE("what was learned of a cord does not outlive the supply: it may have been pulled") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}));
    s.send(LinkChanged{s.now, true});
    Cord cord{s, 0.25};
    for (int n = 0; n < 6; ++n) {
        cord.read(1, 20s);
        cord.read(11, 20s);
    }
    REQUIRE(s.marshal.impedance_ohm(Leg::l1));
    s.voltage_v = 0;
    s.read(0, 1s);
    REQUIRE(s.alert("supply_lost"));
    s.voltage_v = 120;
    s.read(1, 1s);
    CHECK_FALSE(s.marshal.impedance_ohm(Leg::l1));
}

TEST_CASE("a voltage of nothing is no lost supply while nobody knows the source") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 8)}), std::nullopt);
    s.voltage_v = 0;
    s.settle(0, 5s);
    CHECK_FALSE(s.alert("supply_lost"));
    CHECK(s.why(0) == "waits_for_source");
}

TEST_CASE("a battery's charge means nothing to a source that does not live on one, or is not known") {
    const auto source = GENERATE(std::optional<SourceIndex>(0), std::optional<SourceIndex>());
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 8)}), source);
    s.settle(1, 5s);
    s.send(BatteryCharge{s.now, 1});
    s.read(1, 5s);
    CHECK_FALSE(s.alert("battery_low"));
    CHECK(s.on(0) == source.has_value());
}
