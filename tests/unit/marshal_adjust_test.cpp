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
    CHECK(s.marshal.limit(0).start_headroom_a < 0.97 * 90 - 1 - 15 + 0.01);
}

TEST_CASE("while only observing nothing is adjusted") {
    Rig rig = rig_of({breaker(20)}, {charger_of(1)});
    rig.observing = true;
    Stand s(rig);
    s.settle(16, 60s);
    s.read(25, 10s);
    CHECK(s.settings_a.empty());
}
