// Adjustable loads: turned down before anything is shed and up again last, and never trusted to have
// followed.
#include <algorithm>

#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

constexpr LoadIndex heater = 0;
constexpr LoadIndex charger = 1;

/// Up to 15 A in steps of 2 A, down to 3 A.
Load charger_of(int rank) {
    Load load = resistive("charger", rank, 15);
    load.control = Control::switched;
    load.adjustment = Adjustment{3, 2, 20s};
    return load;
}

/// A heater of 10 A and a charger behind a breaker, and what the meter would read of them.
struct Rig30 {
    explicit Rig30(int heater_rank = 1, int charger_rank = 2, double rating_a = 30)
        : s(rig_of({breaker(rating_a)}, {resistive("heater", heater_rank, 10), charger_of(charger_rank)})) {}

    double charging_a() {
        return s.on(charger) ? std::min(follows ? s.settings_a[charger] : 15, takes_a) : 0;
    }
    double drawn_a() { return other_a + (s.on(heater) ? 10 : 0) + charging_a(); }

    void run(Duration for_) {
        for (const Instant end = s.now + for_; s.now < end;) {
            s.read(drawn_a());
            overloaded |= !s.on(heater) && heater_wanted;
        }
    }

    void start() {
        s.send(LinkChanged{s.now, true});
        run(300s);
        overloaded = false;
    }

    Stand s;
    double other_a = 1;
    double takes_a = 15;  ///< what the battery takes
    bool follows = true;
    bool heater_wanted = true;
    bool overloaded = false;  ///< the heater was off although it was wanted
};

}  // namespace

TEST_CASE("an adjustable load starts at its lowest setting and is turned up a step at a time") {
    Rig30 rig;
    rig.s.send(LinkChanged{rig.s.now, true});
    rig.run(15s);
    REQUIRE(rig.s.on(charger));
    CHECK(rig.s.settings_a[charger] == 3);
    double before_a = 3;
    for (int step = 0; step < 12; ++step) {
        rig.run(10s);
        const double setting_a = rig.s.settings_a[charger];
        CHECK((setting_a == before_a || setting_a == before_a + 2));
        before_a = setting_a;
    }
    rig.run(60s);
    CHECK(rig.s.settings_a[charger] == 15);
    CHECK(rig.s.marshal.load(charger).drawn_a == Approx(15));
    CHECK(rig.s.marshal.load(charger).setting_a == 15.0);
    CHECK_FALSE(rig.s.marshal.load(heater).setting_a);
}

TEST_CASE("an adjustable load is turned down before anything is shed, and no further than needed") {
    Rig30 rig;
    rig.start();
    REQUIRE(rig.s.settings_a[charger] == 15);
    REQUIRE(rig.s.on(heater));
    rig.other_a = 8;  // 33 A; 28.5 A is the steady limit of 30 A: 10.5 A are left for the charger
    rig.run(10s);
    CHECK(rig.s.settings_a[charger] == 9);
    CHECK(rig.s.why(charger) == "turned_down");
    CHECK(rig.s.says(charger) == "turned down: it could come to 33.0 A, and the breaker allows 28.5 A");
    rig.run(300s);
    CHECK(rig.s.settings_a[charger] == 9);  // 27 A flow, and joining keeps a margin of 3 %
    CHECK_FALSE(rig.overloaded);
    CHECK_FALSE(rig.s.alert("overload"));
    rig.other_a = 1;
    rig.run(100s);
    CHECK(rig.s.settings_a[charger] == 15);
    CHECK(rig.s.why(charger) == "turned_up");
    CHECK(rig.s.says(charger) == "turned up again: there is room");
    CHECK_FALSE(rig.overloaded);
}

TEST_CASE("a ceiling is kept on the very sample: down at once, without a grace") {
    Rig rig = rig_of({generator(3600, 3600)}, {resistive("heater", 1, 10), charger_of(2)});
    Stand s(rig);
    s.settle(1, 2s);
    double flows_a = 1;
    for (int i = 0; i < 3000; ++i) {
        flows_a = 1 + (s.on(heater) ? 10 : 0) + (s.on(charger) ? s.settings_a[charger] : 0);
        s.read(flows_a);
    }
    REQUIRE(flows_a == 26);
    const int told = s.settings_told;
    s.read(31);  // of 30 A, and 28.5 A to stay on
    CHECK(s.settings_told == told + 1);
    CHECK(s.settings_a[charger] == 11);
    CHECK(s.on(heater));
    CHECK(s.on(charger));
}

TEST_CASE("where turning down is not enough the lowest ranks go") {
    SECTION("the charger is the lowest: it goes") {
        Rig30 rig(1, 2);
        rig.start();
        rig.other_a = 17;
        rig.run(10s);
        CHECK(rig.s.on(heater));
        CHECK_FALSE(rig.s.on(charger));
        CHECK_FALSE(rig.overloaded);
    }
    SECTION(
        "the heater is the lowest: it goes, and the charger has 9 A of the 10.6 A that are left to join") {
        Rig30 rig(2, 1);
        rig.start();
        rig.other_a = 17;
        rig.run(10s);
        CHECK_FALSE(rig.s.on(heater));
        CHECK(rig.s.on(charger));
        rig.run(100s);
        CHECK(rig.s.settings_a[charger] == 9);
    }
}

TEST_CASE("a load of higher rank that wants to run is given room by turning down, not by shedding") {
    Rig30 rig(1, 2, 20);  // 19 A steady, 18.4 A to join
    rig.s.send(DemandChanged{rig.s.now, heater, false});
    rig.start();
    REQUIRE(rig.s.settings_a[charger] == 15);
    REQUIRE_FALSE(rig.s.on(heater));
    rig.s.send(DemandChanged{rig.s.now, heater, true});
    rig.run(20s);
    CHECK(rig.s.on(heater));
    CHECK(rig.s.on(charger));
    CHECK(rig.s.settings_a[charger] == 7);
    CHECK(rig.s.says(charger) == "turned down to make room for heater");
}

TEST_CASE("a load of lower rank waits beside an adjustable load that has taken the room") {
    Rig30 rig(2, 1, 20);
    rig.s.send(DemandChanged{rig.s.now, heater, false});
    rig.start();
    rig.s.send(DemandChanged{rig.s.now, heater, true});
    rig.run(20s);
    CHECK_FALSE(rig.s.on(heater));
    CHECK(rig.s.settings_a[charger] == 15);
}

TEST_CASE("a charger that does not follow its setting is told of, and switched off where it does not fit") {
    Rig30 rig;
    rig.start();
    rig.follows = false;
    rig.other_a = 8;
    rig.run(5s);
    CHECK(rig.s.alert("not_adjusted"));
    CHECK_FALSE(rig.s.on(charger));
    CHECK(rig.s.on(heater));
    rig.s.send(OperatorRequest{rig.s.now, charger, Request::acknowledge});
    CHECK_FALSE(rig.s.alert("not_adjusted"));
    rig.follows = true;
    rig.other_a = 1;
    rig.run(200s);
    CHECK(rig.s.on(charger));
    CHECK(rig.s.settings_a[charger] == 15);
}

TEST_CASE("a charger that takes less than it is set to is not called disobedient") {
    Rig30 rig;
    rig.start();
    for (; rig.takes_a > 4; rig.takes_a -= 0.05)
        rig.run(100ms);
    rig.other_a = 16;  // 30 A: over 28.5 A
    rig.run(60s);
    CHECK_FALSE(rig.s.alert("not_adjusted"));
    CHECK(rig.s.on(heater));
    CHECK(rig.drawn_a() <= 28.5);
}

TEST_CASE("a charger that was found on counts at its highest setting") {
    Load load = charger_of(1);
    load.reports_switch = true;
    Stand s(rig_of({breaker(30)}, {load}));
    s.send(LinkChanged{s.now, true});
    s.send(SwitchFeedback{s.now, 0, true, false});
    s.read(1, 1100ms);
    CHECK(s.settings_a[0] == 15);
    CHECK(s.marshal.limits()[0].start_headroom_a < 0.97 * 90 - 1 - 15 + 0.01);
}

TEST_CASE("while only observing nothing is adjusted") {
    Rig rig = rig_of({breaker(20)}, {charger_of(1)});
    rig.observing = true;
    Stand s(rig);
    s.settle(16, 60s);
    s.read(25, 10s);
    CHECK(s.settings_a.empty());
}

TEST_CASE("a charger that is off is told no setting when something else is too much") {
    Rig30 rig;
    rig.start();
    rig.s.send(DemandChanged{rig.s.now, charger, false});
    rig.run(60s);
    REQUIRE_FALSE(rig.s.on(charger));
    const int told = rig.s.settings_told;
    rig.other_a = 25;
    rig.run(10s);
    CHECK_FALSE(rig.s.on(heater));
    CHECK(rig.s.settings_told == told);
}

TEST_CASE("a charger that is turned down while it follows upwards may still rise to what it is set to then") {
    // Set to 3 A it takes 2 A. Told 5 A it may come to 3 A more, and 28 A + 3 A are over the ceiling of 30 A.
    Stand s(rig_of({generator(3600, 3600)}, {charger_of(1)}));
    s.send(LinkChanged{s.now, true});
    while (s.settings_a[0] != 5)
        s.read(s.on(0) ? 3 : 1);
    REQUIRE(s.marshal.load(0).drawn_a == Approx(2));
    s.read(28);
    CHECK(s.on(0));
    CHECK(s.settings_a[0] == 3);
    CHECK(s.marshal.load(0).drawn_a == Approx(2));
    s.read(28, 1s);
    CHECK(s.marshal.load(0).drawn_a == Approx(3));
}

TEST_CASE("a charger that is on and draws nothing is not turned up") {
    Load load = charger_of(1);
    load.reports_switch = true;
    Stand s(rig_of({breaker(30)}, {load}));
    s.settle(1, 6s);
    REQUIRE(s.on(0));
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(1.3, 300s);
    CHECK(s.on(0));
    CHECK(s.settings_a[0] == 3);
}

TEST_CASE(
    "a charger that falls by a part of what it was turned down has followed, and is turned down again") {
    Rig30 rig;
    rig.start();
    while (rig.s.settings_a[charger] != 9)
        rig.s.read(33);
    for (int i = 0; i < 10 && rig.s.settings_a[charger] == 9; ++i)
        rig.s.read(31);
    CHECK(rig.s.settings_a[charger] == 5);
    CHECK(rig.s.on(charger));
    rig.s.read(27, 5s);
    CHECK(rig.s.on(charger));
    CHECK_FALSE(rig.s.alert("not_adjusted"));
}

TEST_CASE("a charger that was turned down is not doubted by a meter that says nothing") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10), charger_of(2)});
    rig.loads[charger].stages[0].start_window = 3s;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    const auto flows_a = [&](double other_a) {
        return other_a + (s.on(heater) ? 10 : 0) + (s.on(charger) ? s.settings_a[charger] : 0);
    };
    for (int i = 0; i < 4000; ++i)
        s.read(flows_a(1));
    REQUIRE(s.settings_a[charger] == 15);
    const int told = s.settings_told;
    while (s.settings_told == told)
        s.read(33);
    REQUIRE(s.on(charger));
    s.wait(10s);
    s.read(27, 2s);
    CHECK_FALSE(s.alert("not_adjusted"));
    CHECK(s.marshal.load(charger).setting_a.value() < 15);
}

TEST_CASE("a charger that is turned down twice before the meter shows it is judged by both") {
    const bool follows = GENERATE(true, false);
    Rig30 rig;
    rig.start();
    while (rig.s.settings_a[charger] != 9)
        rig.s.read(33);
    rig.s.read(37);  // the first 6 A are still to come, and that leaves 31 A
    REQUIRE(rig.s.settings_a[charger] == 5);
    rig.s.read(follows ? 27 : 37, 500ms);
    CHECK(rig.s.on(charger) == follows);
    rig.s.read(follows ? 27 : 22, 5s);
    CHECK(rig.s.alert("not_adjusted") == !follows);
}

TEST_CASE(
    "a charger is turned down to its lowest setting, and what is of lower rank goes, for one above both") {
    // 19 A may stay on, 18.4 A to join: 1 A, 12 A, and 3 A of the charger fit; the lamp of 4 A does not.
    Load kettle = resistive("kettle", 1, 12);
    kettle.wanted_at_start = false;
    Stand s(rig_of({breaker(20)}, {kettle, charger_of(2), resistive("lamp", 3, 4)}));
    s.send(LinkChanged{s.now, true});
    const auto run = [&](Duration time) {
        for (const Instant end = s.now + time; s.now < end;)
            s.read(1 + (s.on(0) ? 12 : 0) + (s.on(1) ? s.settings_a[1] : 0) + (s.on(2) ? 4 : 0));
    };
    run(300s);
    REQUIRE(s.on(2));
    REQUIRE(s.settings_a[1] > 10);
    s.send(DemandChanged{s.now, 0, true});
    run(10s);
    CHECK(s.on(0));
    CHECK(s.on(1));
    CHECK_FALSE(s.on(2));
    CHECK(s.why(2) == "shed_for_rank");
    run(60s);
    CHECK(s.settings_a[1] <= 5);
}

TEST_CASE("under a silent meter a charger that is too much goes like any other load") {
    Rig30 rig;
    rig.start();
    REQUIRE(rig.s.on(charger));
    rig.other_a = 27;
    rig.s.read(27 + 25);
    rig.s.wait(20s);
    CHECK_FALSE(rig.s.on(charger));
    CHECK_FALSE(rig.s.alert("not_adjusted"));
}

TEST_CASE("a smaller source under a silent meter takes a charger off like any other load") {
    Rig rig = rig_of({breaker(30), generator(1500, 1500)}, {resistive("heater", 1, 10), charger_of(2)});
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    for (int i = 0; i < 3000; ++i)
        s.read(1 + (s.on(heater) ? 10 : 0) + (s.on(charger) ? s.settings_a[charger] : 0));
    REQUIRE(s.settings_a[charger] == 15);
    s.wait(5s);
    REQUIRE(s.on(charger));
    s.send(SourceChanged{s.now, 1});
    CHECK(s.on(heater));
    CHECK_FALSE(s.on(charger));
}

TEST_CASE(
    "a charger is not turned up into the room of a start that may come, now or once the source is warm") {
    // 58.2 A may flow in a start on the generator. On the breaker 70 A beside 15 A leave its image 0.90 warm
    // at the end, and beside 17 A, once it is as warm as 17 A make it, 0.97.
    const auto [source, start_a] =
        GENERATE(table<Source, double>({{generator(3600, 7200), 46}, {breaker(30), 70}}));
    Load motor = resistive("motor", 1, 4);
    motor.stages[0] = {"motor", start_a, 500ms, 4, 1s};
    Stand s(rig_of({source}, {motor, charger_of(2)}));
    s.send(LinkChanged{s.now, true});
    for (int i = 0; i < 4000; ++i) {
        s.read(2 + (s.on(charger) ? s.settings_a[charger] : 0));
        if (i > 600) REQUIRE(s.marshal.limits()[0].start_headroom_a >= 0);
    }
    CHECK(s.on(0));
    CHECK(s.on(charger));
    CHECK(s.settings_a[charger] < 15);
}

TEST_CASE("a charger is not turned down where it is enough to wait until the source has cooled") {
    Load motor = resistive("motor", 1, 8);
    motor.stages[0] = {"motor", 60, 500ms, 8, 1s};
    motor.wanted_at_start = false;
    Stand s(rig_of({breaker(30)}, {motor, charger_of(2)}));
    s.send(LinkChanged{s.now, true});
    const auto run = [&](double other_a, Duration time) {
        for (const Instant end = s.now + time; s.now < end;)
            s.read(other_a + (s.on(0) ? 8 : 0) + (s.on(1) ? s.settings_a[1] : 0));
    };
    run(8, 300s);
    REQUIRE(s.settings_a[1] == 15);
    run(13, 30s);
    run(7, 600ms);  // in two steps, neither of which is the charger's
    run(1, 1s);
    s.send(DemandChanged{s.now, 0, true});
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "start_too_hot");
    for (int i = 0; i < 200 && !s.on(0); ++i)
        run(1, 100ms);
    CHECK(s.on(0));
    CHECK(s.settings_a[1] == 15);
}
