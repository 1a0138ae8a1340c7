// The Marshal and loads that do not do as they are told, or seem not to: commands that get lost, switches
// that say one thing and then another, currents that stay, and falls that may be another's. Currents are
// invented.
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

TEST_CASE("of two like loads one is booked as stopped, and the other is not called disobedient") {
    Stand s(rig_of({breaker(50)}, {resistive("a", 1, 12), resistive("b", 2, 12.1)}));
    s.send(LinkChanged{s.now, true});
    s.read(1, 2s);
    s.read(13, 2s);
    s.read(25.1, 2s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(1) == "running");
    s.read(13.05, 2s);
    const LoadIndex stopped = s.state(0) == "running" ? 1 : 0;
    const LoadIndex other = 1 - stopped;
    CHECK(s.state(stopped) == "permitted");
    CHECK(s.state(other) == "running");
    SECTION("it was the other one that stopped: told off, its current does not fall") {
        s.send(OperatorRequest{s.now, other, Request::hold});
        s.read(13.05, 10s);
        CHECK(s.state(other) == "off");
        CHECK_FALSE(s.alert("disobedience"));
    }
    SECTION("once the one that was booked runs again, both are known to run") {
        s.read(25.1, 2s);
        CHECK(s.state(stopped) == "running");
        s.send(OperatorRequest{s.now, other, Request::hold});
        s.read(25.1, 10s);
        CHECK(s.state(other) == "locked_out");
        CHECK(s.alert("disobedience"));
    }
}

TEST_CASE("nothing is granted until what was told to stop has had its time") {
    Rig rig = rig_of({breaker(30)}, {resistive("a", 1, 12), resistive("b", 2, 11)});
    rig.loads[1].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 10s);  // a is permitted, and idle as far as anybody knows
    REQUIRE(s.on(0));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    CHECK(s.send(DemandChanged{s.now, 1, true}).empty());
    CHECK(s.why(1) == "current_moves");
    CHECK(s.read(1, 100ms).empty());
    s.read(1, 300ms);
    CHECK(s.on(1));
}

TEST_CASE("loads that were told to stop together explain a fall before one that was not") {
    Stand s(rig_of({breaker(50)}, {resistive("a", 1, 12), resistive("b", 2, 5), resistive("c", 3, 7)}));
    s.send(LinkChanged{s.now, true});
    s.read(1, 2s);
    s.read(13, 2s);
    s.read(18, 2s);
    s.read(25, 2s);
    REQUIRE(s.state(2) == "running");
    s.send(OperatorRequest{s.now, 1, Request::hold});
    s.send(OperatorRequest{s.now, 2, Request::hold});
    s.read(13, 2s);
    CHECK(s.state(0) == "running");
}

TEST_CASE("a feedback that flaps ends in a lockout, not in commands without end") {
    Rig rig = rig_of({breaker(30)}, {resistive("a", 1, 8)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 8s);
    s.read(9, 3s);
    REQUIRE(s.on(0));
    int commands = 0;
    for (int i = 0; i < 600; ++i) {
        commands += offs(s.send(SwitchFeedback{s.now, 0, i % 2 == 1, true}));
        commands += offs(s.read(1, 700ms));
    }
    CHECK(commands <= 4);  // the first "off" is told back, and an "on" three times
    CHECK(s.state(0) == "locked_out");
}

TEST_CASE("a contact that opens late counts as on until then, and the rest counts from then") {
    Rig rig = rig_of({breaker(30)}, {air_conditioner("a", 1, 40, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 200s);
    REQUIRE(s.on(0));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, 3s);
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.send(OperatorRequest{s.now, 0, Request::release});
    s.read(1, 2s);
    CHECK(s.marshal.load(0).reason.kind != ReasonKind::fits);
    s.read(1, 2s);
    CHECK_FALSE(s.on(0));
    s.send(SwitchFeedback{s.now, 0, false, true});
    CHECK(s.read(1, 179s).empty());
    CHECK(s.read(1, 2s).size() == 1);
}

TEST_CASE("a switch that has said on, and then nothing more, is told off until it says off, or is stuck") {
    const bool says_off = GENERATE(true, false);
    CAPTURE(says_off);
    Rig rig = rig_of({breaker(30)}, {air_conditioner("a", 1, 40, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 200s);
    REQUIRE(s.on(0));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, 3s);
    REQUIRE(offs(s.send(SwitchFeedback{s.now, 0, true, true})) == 1);
    s.read(1, 200ms);
    s.send(SwitchFeedback{s.now, 0, true, true});  // its answer, and the last that is heard of it
    CHECK(s.read(1, 4s).empty());
    CHECK(offs(s.read(1, 2s)) == 1);
    if (says_off) s.send(SwitchFeedback{s.now, 0, false, true});
    CHECK(offs(s.read(1, 60s)) == (says_off ? 0 : 1));
    CHECK(s.alert("disobedience") == !says_off);
}

TEST_CASE("while a link is new a relay that is stuck on is told off once, not with every event") {
    Rig rig = rig_of({generator(1200, 2000)}, {air_conditioner("a", 1, 40, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    int commands = 0;
    for (int i = 0; i < 9; ++i) {
        commands += offs(s.send(SwitchFeedback{s.now, 0, true, true}));
        commands += offs(s.read(12, 100ms));
    }
    CHECK(commands == 1);
}

TEST_CASE("under a silent meter what was told to stop no longer counts, and what fits without it stays") {
    Rig rig = rig_of({breaker(30)}, {resistive("a", 1, 10), resistive("b", 2, 10)});
    rig.loads[0].stages[0].start_a = 78;
    rig.loads[1].stages[0].start_a = 40;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    s.read(1, 2s);
    s.read(11, 3s);
    s.read(21, 3s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(1) == "running");
    s.wait(60s);
    CHECK(s.on(0));        // 1 + 78 A may come: under 3 x 30 A, but not with b's 10 A besides
    CHECK_FALSE(s.on(1));  // 1 + 78 + 40 A may not
}

TEST_CASE("a command that its switch does not confirm is repeated three times, and then every five minutes") {
    Rig rig = rig_of({breaker(30)}, {resistive("a", 1, 8)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 7s);
    REQUIRE(s.on(0));
    const auto repeated = [&](double reading_a) {
        int commands = 0;
        for (const Switch& c : s.read(reading_a, 60s)) {
            CHECK_FALSE(c.changes);
            CHECK(c.on);
            ++commands;
        }
        return commands;
    };
    SECTION("it stays mute") {
        CHECK(repeated(1) == 3);
        s.read(1, 230s);
        CHECK(repeated(1) == 1);
        CHECK(repeated(1) == 0);
    }
    SECTION("it speaks") {
        s.send(SwitchFeedback{s.now, 0, true, true});
        CHECK(repeated(1) == 0);
    }
    SECTION("its current speaks for it") {
        CHECK(repeated(9) == 0);
    }
}

TEST_CASE("an idle load without feedback is told again what it was told") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 8)}));
    s.settle(1, 10s);
    REQUIRE(s.on(0));
    CHECK(s.read(1, 280s).empty());
    const auto told = s.read(1, 300s);
    REQUIRE(told.size() == 1);
    CHECK(told[0].on);
    CHECK_FALSE(told[0].changes);
    SECTION("or, when it is told to stop, sooner: its start is no longer reserved") {
        s.send(OperatorRequest{s.now, 0, Request::hold});
        CHECK(offs(s.read(1, 60s)) == 3);
    }
    SECTION("or has run") {
        s.read(9, 700s);
        REQUIRE(s.state(0) == "running");
        CHECK(s.read(1, 700s).empty());
    }
}

TEST_CASE("a shed that does not show is told again once before the load is called disobedient") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 8)}));
    s.settle(1, 2s);
    s.read(9, 3s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    const auto again = s.read(9, 1s);
    REQUIRE(again.size() == 1);
    CHECK_FALSE(again[0].on);
    CHECK_FALSE(again[0].changes);
    SECTION("that helps") {
        s.read(1, 5s);
        CHECK_FALSE(s.alert("disobedience"));
    }
    SECTION("that does not help either") {
        CHECK(s.read(9, 5s).empty());
        CHECK(s.alert("disobedience"));
    }
}

TEST_CASE("who does not fall when told to stop is not disobedient if the others account for what flows") {
    Stand s(rig_of({generator(12000, 20000)},
                   {resistive("a", 1, 8), resistive("b", 2, 20), resistive("c", 3, 20)}));
    s.send(LinkChanged{s.now, true});
    for (const double reading_a : {1, 9, 29, 49})
        s.read(reading_a, 2s);
    REQUIRE(s.state(2) == "running");
    SECTION("it still draws") {
        s.send(OperatorRequest{s.now, 0, Request::hold});
        s.read(49, 5s);
        CHECK(s.alert("disobedience"));
    }
    SECTION("it had faded away without a step") {
        s.fade(49, 41, 0.05);
        REQUIRE(s.state(0) == "running");
        s.send(OperatorRequest{s.now, 0, Request::hold});
        s.read(41, 5s);
        CHECK_FALSE(s.alert("disobedience"));
    }
}

TEST_CASE("a load that is stuck on is not told on when the link comes back and finds it so") {
    Load load = resistive("heater", 1, 8);
    load.reports_switch = true;
    Stand s(rig_of({breaker(30)}, {load}));
    s.settle(1, 2s);
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(9, 3s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(9, 10s);
    REQUIRE(s.alert("disobedience"));
    s.send(LinkChanged{s.now, false});
    s.read(9, 5s);
    s.send(LinkChanged{s.now, true});
    s.send(SwitchFeedback{s.now, 0, true, false});
    for (const Switch& told : s.read(9, 10s))
        CHECK_FALSE(told.on);
}

TEST_CASE("two that were told to stop explain a fall together, also while another is about to start") {
    Rig rig = rig_of({breaker(60)}, {resistive("a", 1, 8), resistive("b", 2, 6), resistive("c", 3, 5)});
    rig.loads[2].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 10s);
    s.read(9, 3s);
    s.read(15, 3s);
    REQUIRE(s.state(1) == "running");
    s.send(DemandChanged{s.now, 2, true});
    REQUIRE(s.state(2) == "starting");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.send(OperatorRequest{s.now, 1, Request::hold});
    s.read(1, 500ms);
    CHECK(s.state(2) == "starting");
    CHECK(s.marshal.load(2).drawn_a == 0);
    s.read(6, 3s);
    CHECK(s.state(2) == "running");
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("a load too small to tell from noise is never called disobedient") {
    Stand s(rig_of({breaker(30)}, {resistive("lamp", 1, 1.2)}));
    s.settle(1, 3s);
    s.read(2.2, 3s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(2.2, 10s);
    CHECK_FALSE(s.alert("disobedience"));
    CHECK(s.state(0) == "off");
}

TEST_CASE("a compressor whose current stays is disobedient whatever its switch says") {
    Load load = resistive("compressor", 1, 10);
    load.stages[0].start_a = 40;
    load.reports_switch = true;
    Stand s(rig_of({breaker(30)}, {load}));
    s.settle(1, 10s);
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(40, 200ms);
    s.read(11, 3s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(11, 1s);
    s.send(SwitchFeedback{s.now, 0, false, true});
    s.read(11, 10s);
    CHECK(s.alert("disobedience"));
}

TEST_CASE("an idle load of the other leg does not account for a current that stays") {
    const LegSet leg = GENERATE(LegSet(Leg::l1), LegSet(Leg::l2));
    Stand s(rig_of({breaker(30, Feed::two_legs)}, {resistive("told", 1, 8), resistive("idle", 2, 8.1, leg)},
                   LegSet::both()));
    s.send(LinkChanged{s.now, true});
    s.read(1, 3s, 1);
    s.send(OperatorRequest{s.now, 1, Request::hold});
    s.read(1, 3s, 1);
    s.read(9, 3s, 1);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 1, Request::release});
    s.read(9, 60s, 1);
    REQUIRE(s.on(1));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(9, 10s, 1);
    CHECK(s.alert("disobedience") == (leg == LegSet(Leg::l2)));
}

TEST_CASE("who was told to stop is not judged by a meter that says nothing, but when it speaks again") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.wait(20s);
    REQUIRE(s.alert("meter_silent"));
    CHECK_FALSE(s.alert("disobedience"));
    const bool obeyed = GENERATE(true, false);
    s.read(obeyed ? 1 : 9, 5s);
    CHECK(s.alert("disobedience") == !obeyed);
}

TEST_CASE("nobody is told again to stop while the link is down") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.send(LinkChanged{s.now, false});
    CHECK(s.read(9, 5s).empty());
}

TEST_CASE("a demand that ends and comes back at once waits until the load was seen off") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.send(DemandChanged{s.now, 0, false});
    REQUIRE_FALSE(s.on(0));
    s.send(DemandChanged{s.now, 0, true});
    CHECK(s.says(0) == "waits to be seen off for another 10 s");
    s.read(1, 5s);
    CHECK(s.on(0));
}

TEST_CASE("a load that had tapered off unseen is not accused where nothing flows that did not before it") {
    const bool stuck = GENERATE(false, true);
    CAPTURE(stuck);
    Load charger = resistive("charger", 1, 8);
    charger.control = Control::switched;
    Stand s(rig_of({breaker(30)}, {charger}));
    s.settle(5, 2s);  // nobody knows what draws these 5 A
    s.read(13, 5s);
    REQUIRE(s.state(0) == "running");
    if (!stuck)
        for (int step = 0; step < 150; ++step)
            s.read(13 - 0.05 * step);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(stuck ? 13 : 5.5, 10s);
    CHECK(s.alert("disobedience") == stuck);
}

TEST_CASE("of loads told to stop together, one that may have been idle spends nobody else's fall") {
    Stand s(rig_of({breaker(100)}, {resistive("sure", 1, 6.5), resistive("idle", 2, 9.7),
                                    resistive("runs", 3, 9.6), resistive("other", 4, 9.8)}));
    s.send(LinkChanged{s.now, true});
    s.read(1, 2s);
    s.read(7.5, 2s);
    s.read(17.2, 2s);
    s.read(26.8, 2s);
    s.read(36.6, 2s);
    for (const LoadIndex i : {0U, 1U, 2U, 3U})
        REQUIRE(s.state(i) == "running");
    // Of the three alike "idle" stops, and "other" is taken for it.
    s.read(26.9, 5s);
    REQUIRE(s.state(3) == "permitted");
    for (const LoadIndex i : {0U, 1U, 2U})
        s.send(OperatorRequest{s.now, i, Request::hold});
    s.read(26.9, 200ms);
    s.read(10.8, 10s);
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("who did not stop is watched again when a person has acknowledged that") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(9, 10s);
    REQUIRE(s.alert("disobedience"));
    s.send(OperatorRequest{s.now, 0, Request::acknowledge});
    CHECK_FALSE(s.alert("disobedience"));
    const bool mended = GENERATE(true, false);
    s.read(mended ? 1 : 9, 10s);
    CHECK(s.alert("disobedience") == !mended);
}

TEST_CASE(
    "whose switch has said off is not watched again when a person has acknowledged that it did not stop") {
    const bool says_off = GENERATE(true, false);
    CAPTURE(says_off);
    Load pump = motor("pump", 1, 20, 8);
    pump.reports_switch = true;
    Stand s(rig_of({breaker(30)}, {pump}));
    s.settle(1, 10s);
    s.read(21, 200ms);
    s.read(9, 3s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    if (says_off) s.send(SwitchFeedback{s.now, 0, false, true});  // at once: perhaps older than the command
    s.read(9, 10s);
    REQUIRE(s.alert("disobedience"));
    s.send(OperatorRequest{s.now, 0, Request::acknowledge});
    s.read(9, 10s);
    CHECK(s.alert("disobedience") == !says_off);
}

TEST_CASE("a reading that was wrong at the moment of a shed hides nobody who goes on") {
    const bool obeys = GENERATE(true, false);
    CAPTURE(obeys);
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 9)}));
    s.settle(10, 5s);
    s.read(19, 5s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(offs(s.read(91)) == 1);
    const auto told = s.read(obeys ? 10 : 19, 10s);
    CHECK(offs(told) == (obeys ? 0 : 1));
    CHECK(s.alert("disobedience") == !obeys);
}

TEST_CASE("an idle load's switch that does not say it is off is told so again, three times") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 8)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 10s);
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.send(OperatorRequest{s.now, 0, Request::hold});
    REQUIRE_FALSE(s.on(0));
    CHECK(offs(s.read(1, 6s)) == 1);
    const bool answers = GENERATE(true, false);
    if (answers) s.send(SwitchFeedback{s.now, 0, false, true});
    CHECK(offs(s.read(1, 60s)) == (answers ? 0 : 2));
}

TEST_CASE("where there is too much and nothing is left to shed, all that should be off is told so again") {
    Stand s(rig_of({breaker(10)}, {resistive("heater", 1, 8)}));
    SECTION("after 5 s, 5 s more, and each time twice as late, up to two minutes") {
        s.send(DemandChanged{s.now, 0, false});
        s.settle(5, 20s);
        CHECK(offs(s.read(12, 4s)) == 0);
        REQUIRE(s.alert("overload"));
        CHECK(offs(s.read(12, 24s)) == 3);
        CHECK(offs(s.read(12, 20s)) == 1);
        CHECK(offs(s.read(12, 40s)) == 1);
        CHECK(offs(s.read(12, 300s)) == 2);
    }
    SECTION("but not for a spike") {
        s.send(DemandChanged{s.now, 0, false});
        s.settle(5, 700s);
        std::vector<Switch> told;
        for (int spikes = 0; spikes < 20; ++spikes) {
            s.read(25);
            for (const Switch& one : s.read(5, 4s))
                told.push_back(one);
        }
        CHECK(told.empty());
    }
    SECTION("also one that did not obey") {
        s.settle(1, 10s);
        s.read(9, 5s);
        REQUIRE(s.state(0) == "running");
        s.send(OperatorRequest{s.now, 0, Request::hold});
        s.read(9, 5s);
        REQUIRE(s.alert("disobedience"));
        CHECK(offs(s.read(12, 20s)) > 0);
    }
}

TEST_CASE("a contact that says it has opened explains the fall that comes after its word") {
    Rig rig = rig_of({breaker(50)}, {resistive("a", 1, 12), resistive("b", 2, 12.1)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    s.send(SwitchFeedback{s.now, 0, false, true});
    s.read(1, 2s);
    s.read(13, 2s);
    s.read(25.1, 2s);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.state(1) == "running");
    s.send(SwitchFeedback{s.now, 0, false, true});
    s.read(25, 300ms);
    s.read(13, 2s);
    CHECK(s.state(1) == "running");
}

TEST_CASE("a compressor that seems to leave its fan on may have stopped with it, and is not accused later") {
    Stand s(rig_of({breaker(50)}, {air_conditioner("front", 1, 40, 12)}));
    s.settle(1, 181s);
    s.read(5, 200ms);
    s.read(3, 2s);
    s.read(41, 200ms);
    s.read(15, 2s);
    REQUIRE(s.state(0) == "running");
    s.read(2.1, 5s);  // nearer to the compressor alone, but not by far
    CHECK(s.marshal.load(0).drawn_a == 0);
    s.read(6, 60s);  // something else comes on
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(6, 10s);
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("a compressor that may have stopped as another load started is not accused of its fan") {
    Stand s(rig_of({breaker(50)}, {air_conditioner("front", 1, 40, 12), observed("pump", 3.8)}));
    s.settle(1, 181s);
    const bool pumps_before = GENERATE(false, true);
    CAPTURE(pumps_before);
    const double base_a = pumps_before ? 4.8 : 1;
    s.read(base_a, 2s);
    s.read(base_a + 4, 200ms);
    s.read(base_a + 2, 2s);
    s.read(base_a + 40, 200ms);
    s.read(base_a + 14, 2s);
    REQUIRE(s.state(0) == "running");
    s.read(base_a + 3.8, 5s);  // the compressor alone; or its fan as well, and the pump starts
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(base_a + 3.8, 10s);
    CHECK(s.alert("disobedience") == pumps_before);
}

TEST_CASE("a switch that answers with on as soon as it is told off is told again, and then called stuck") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 10s);
    REQUIRE(s.on(0));
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.send(OperatorRequest{s.now, 0, Request::hold});
    int told_off = 0;
    bool says_off = false;
    const auto answer = [&] {
        for (const Switch& command : s.read(1, 100ms))
            if (!command.on) {
                ++told_off;
                s.send(SwitchFeedback{s.now, 0, !says_off, true});
            }
    };
    s.send(SwitchFeedback{s.now, 0, true, true});  // its answer to the hold
    SECTION("for ever") {
        for (int i = 0; i < 300; ++i)
            answer();
        CHECK(told_off == 3);
        CHECK(s.alert("disobedience"));
    }
    SECTION("until it has followed after all") {
        for (int i = 0; i < 60; ++i)
            answer();
        says_off = true;
        for (int i = 0; i < 200; ++i)
            answer();
        CHECK(told_off == 2);
        CHECK_FALSE(s.alert("disobedience"));
    }
}

TEST_CASE("a load that is told to stop and was not known to run does not hide what another draws") {
    Stand s(rig_of({breaker(15)}, {resistive("first", 1, 6.6), resistive("second", 2, 5.8)}));
    s.send(SwitchFeedback{s.now, 0, true, false});  // found on
    s.settle(1.7 + 6.3, 60s);
    REQUIRE(s.on(1));
    s.read(1.7 + 6.3 + 5.8, 660s);
    REQUIRE(s.starts.size() == 1);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1.7 + 5.8, 60s);  // what fell may have been the second's, and is booked so
    s.send(OperatorRequest{s.now, 0, Request::release});
    s.read(1.7 + 5.8, 1s);
    CHECK(s.on(0));  // for the second, of lower rank, would leave
}

TEST_CASE("a stop that another load's start may have hidden accuses nobody") {
    Stand s(rig_of({breaker(50)}, {resistive("water", 1, 10), resistive("small", 2, 6)}));
    s.settle(1, 30s);
    s.read(7, 5s);
    REQUIRE(s.state(1) == "running");
    s.send(OperatorRequest{s.now, 1, Request::hold});
    REQUIRE_FALSE(s.on(1));
    s.read(10.4, 30s);  // the water heater's thermostat closed in that moment
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("a start that is too small to have hidden the stop does not excuse who runs on") {
    Stand s(rig_of({breaker(50)}, {resistive("water", 1, 8), resistive("small", 2, 6)}));
    s.settle(1, 30s);
    s.read(7, 5s);
    s.send(OperatorRequest{s.now, 1, Request::hold});
    s.read(15, 30s);
    CHECK(s.alert("disobedience"));
}

TEST_CASE("a load that starts although it seemed to run is not accused of what another draws") {
    const bool starts = GENERATE(true, false);
    CAPTURE(starts);
    Stand s(rig_of({generator(3500, 4500)}, {air_conditioner("front", 1, 30, 12)}));
    s.settle(1, 200s);
    s.read(3, 5s);
    s.read(28);  // what looks like the compressor, and is an appliance that nobody knows
    s.read(15, 10s);
    REQUIRE(s.state(0) == "running");
    if (starts)
        s.read(42);
    else
        s.send(OperatorRequest{s.now, 0, Request::hold});
    CHECK_FALSE(s.on(0));
    s.read(13, 30s);
    CHECK(s.alert("disobedience") == !starts);
}

TEST_CASE("a load that is only taken to have started is not accused of the current that stays") {
    Load charger = resistive("charger", 1, 5);
    charger.control = Control::switched;
    Stand s(rig_of({breaker(30)}, {charger}));
    s.send(LinkChanged{s.now, true});
    while (!s.on(0))
        s.read(1);
    s.read(6, 5s);
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, 10s);
    s.send(OperatorRequest{s.now, 0, Request::release});
    while (!s.on(0))
        s.read(1);
    s.read(10, 10s);  // something else, that nobody knows
    REQUIRE(s.state(0) == "running");
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(10, 30s);
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("a compressor that reports nothing rests from when it was told off again as the link came back") {
    const bool reports = GENERATE(true, false);
    CAPTURE(reports);
    Load front = air_conditioner("front", 1, 40, 10);
    front.reports_switch = reports;
    Stand s(rig_of({breaker(30)}, {front}));
    s.settle(1, 170s);
    if (reports) s.send(SwitchFeedback{s.now, 0, false, true});
    s.send(LinkChanged{s.now, false});
    s.read(1, 5s);
    s.send(LinkChanged{s.now, true});
    s.read(1, 60s);
    CHECK(s.on(0) == reports);
    s.read(1, 130s);
    CHECK(s.on(0));
}

TEST_CASE("a compressor whose switch has said off rests anew where the link was gone for long") {
    // Its relay may have closed and opened again meanwhile, and only the last state is retained.
    const auto gone = GENERATE(5s, 60s);
    CAPTURE(gone.count());
    Load front = air_conditioner("front", 1, 40, 10);
    front.reports_switch = true;
    Stand s(rig_of({breaker(30)}, {front}));
    s.settle(1, 170s);
    s.send(SwitchFeedback{s.now, 0, false, true});
    s.send(LinkChanged{s.now, false});
    s.read(1, gone);
    s.send(LinkChanged{s.now, true});
    s.send(SwitchFeedback{s.now, 0, false, true});
    s.read(1, 60s);
    CHECK(s.on(0) == (gone < 10s));
    s.read(1, 130s);
    CHECK(s.on(0));
}

TEST_CASE("a compressor rests from when it was first told off, however long there was no link before") {
    Load front = air_conditioner("front", 1, 40, 10);
    front.reports_switch = GENERATE(true, false);
    CAPTURE(front.reports_switch);
    Stand s(rig_of({breaker(30)}, {front}));
    s.wait(300s);
    s.send(LinkChanged{s.now, true});
    s.read(1, 170s);
    CHECK_FALSE(s.on(0));
    s.read(1, 20s);
    CHECK(s.on(0));
}

TEST_CASE("a compressor whose switch answers only when it is told off again rests from there") {
    // The leg shows little beside the noise of what else runs, and may have missed that it stopped; its own
    // meter has not.
    const auto [answers_after, metered, rests] = GENERATE(
        table<Duration, bool, Duration>({{100s, false, 180s}, {1s, false, 179s}, {100s, true, 80s}}));
    CAPTURE(answers_after, metered);
    Load front = air_conditioner("front", 1, 40, 10);
    front.reports_switch = true;
    if (metered) front.own_meter = OwnMeter{.period = 1s, .stale_after = 3s};
    Stand s(rig_of({breaker(30)}, {front}));
    if (metered) s.own_a[0] = 0;
    s.settle(1, 182s);
    s.send(SwitchFeedback{s.now, 0, true, true});
    REQUIRE(s.on(0));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, answers_after);
    s.send(SwitchFeedback{s.now, 0, false, true});
    s.send(OperatorRequest{s.now, 0, Request::release});
    s.read(1, rests - 10s);
    CHECK_FALSE(s.on(0));
    s.read(1, 20s);
    CHECK(s.on(0));
}

TEST_CASE("a compressor whose switch has said off rests no longer as the configuration is read again") {
    const bool said = GENERATE(true, false);
    CAPTURE(said);
    Rig rig = rig_of({breaker(30)}, {air_conditioner("front", 1, 40, 10)});
    rig.loads[0].reports_switch = true;
    Stand old(rig);
    old.settle(1, 150s);
    if (said) old.send(SwitchFeedback{old.now, 0, false, true});
    Stand next(rig);
    next.now = old.now;
    const std::optional<LoadIndex> heirs[] = {0};
    next.marshal.succeed(old.marshal, heirs, {});
    next.send(LinkChanged{next.now, true});
    next.read(1, 40s);
    CHECK(next.on(0) == said);
}

TEST_CASE("a current that stays and may be an idle load's fan accuses nobody") {
    const bool another = GENERATE(true, false);
    CAPTURE(another);
    Stand s(with_period(
        rig_of({breaker(60)}, {air_conditioner("front", 1, 20, 6), air_conditioner("rear", 2, 30, 14)}), 1s));
    s.reads_every = 1s;
    s.settle(1, 5s);
    s.send(OperatorRequest{s.now, 1, Request::hold});
    if (!another) s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(1, 200s);
    s.send(OperatorRequest{s.now, 1, Request::release});
    while (!s.on(1))
        s.read(1, 1s);
    s.read(3, 70s);  // the fan of the one, or of the other
    REQUIRE(s.marshal.load(1).drawn_a == Approx(2).margin(0.1));
    s.send(OperatorRequest{s.now, 1, Request::hold});
    s.read(3, 30s);
    CHECK(s.alert("disobedience") == !another);
}

TEST_CASE("who stops amid a rise is not accused of what another was taken to draw that stopped there, too") {
    Load charger = resistive("charger", 2, 5);
    charger.control = Control::switched;
    Stand s(with_period(rig_of({breaker(60)}, {air_conditioner("front", 1, 40, 12), charger}), 1s));
    s.reads_every = 1s;
    s.send(LinkChanged{s.now, true});
    s.send(OperatorRequest{s.now, 0, Request::hold});
    while (!s.on(1))
        s.read(10, 1s);
    s.read(15, 200s);
    s.fade(15, 12.5, 0.04, 1s);
    s.read(12.5, 30s);
    s.send(OperatorRequest{s.now, 0, Request::release});
    while (!s.on(0))
        s.read(12.5, 1s);
    s.read(14.5, 20s);
    REQUIRE(s.marshal.load(0).drawn_a == Approx(2).margin(0.1));
    REQUIRE(s.marshal.load(1).drawn_a == Approx(5).margin(0.1));
    s.read(54.5, 1s);
    s.send(OperatorRequest{s.now, 1, Request::hold});
    s.read(22, 1s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(10, 30s);
    CHECK_FALSE(s.alert("disobedience"));
}

TEST_CASE("a start that nobody makes who is on is asked of whom it may be that is off") {
    // A relay that closed by itself, and the word of it was lost. Once it has answered its compressor is
    // reserved.
    const auto [started_a, reports, metered, asked] = GENERATE(table<double, bool, bool, int>(
        {{2, true, false, 1}, {2, false, false, 0}, {2, true, true, 0}, {4, true, false, 0}}));
    CAPTURE(started_a, reports, metered);
    Rig rig = rig_of({breaker(30)}, {air_conditioner("front", 1, 30, 10)});
    rig.loads[0].reports_switch = reports;
    rig.loads[0].wanted_at_start = false;
    if (metered) rig.loads[0].own_meter = OwnMeter{.period = 1s, .stale_after = 3s};
    Stand s(rig);
    if (metered) s.own_a[0] = 0;
    s.settle(1, 20s);
    if (reports) s.send(SwitchFeedback{s.now, 0, false, true});
    s.read(1, 20s);
    CHECK(s.read(1 + started_a, 2s).size() == static_cast<std::size_t>(asked));
    if (asked == 0) return;
    const double free_a = s.marshal.limits()[0].start_headroom_a;
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(3, 1s);
    CHECK(s.marshal.limits()[0].start_headroom_a < free_a - 25);
}

TEST_CASE("a switch that says it is off is believed of a fan, and not of a compressor") {
    const auto [runs_a, says_off, accused] =
        GENERATE(table<double, bool, bool>({{2, true, false}, {2, false, true}, {12, true, true}}));
    CAPTURE(runs_a, says_off);
    Rig rig = rig_of({breaker(100)}, {air_conditioner("front", 1, 30, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    s.read(1, 5s);
    s.send(SwitchFeedback{s.now, 0, false, true});
    while (!s.on(0))
        s.read(1);
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(3, 5s);
    if (runs_a > 2) s.read(33, 200ms);
    s.read(1 + runs_a, 10s);
    REQUIRE(s.marshal.load(0).drawn_a == Approx(runs_a).margin(0.5));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    if (says_off) s.send(SwitchFeedback{s.now, 0, false, true});
    s.read(1 + runs_a, 4s);
    CHECK(s.alert("disobedience") == accused);
}

TEST_CASE("a relay that closes by itself is not taken for permitted, however often it was told off before") {
    Rig rig = rig_of({breaker(100)}, {resistive("heater", 1, 12)});
    rig.loads[0].reports_switch = true;
    rig.loads[0].wanted_at_start = false;
    Stand s(rig);
    s.voltage_v = 120;
    s.settle(1, 20s);
    s.send(SwitchFeedback{s.now, 0, false, true});
    int told = 0;
    for (int losses = 0; losses < 10; ++losses) {
        s.voltage_v = 0;
        told += offs(s.read(0, 3s));
        s.voltage_v = 120;
        told += offs(s.read(1, 10s));
    }
    CHECK(told == 5);  // with the one at first, and no more in ten minutes
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(1, 30s);
    CHECK(s.alert("disobedience"));  // else it would be told off as something new
}

TEST_CASE("what a start drew that was left to nobody is not held against a charger that has tapered off") {
    Load charger = resistive("charger", 1, 5);
    Stand s(rig_of({breaker(100)}, {charger, observed("oven", 6.3), observed("fryer", 6.5)}));
    s.settle(1, 20s);
    s.read(6, 5s);
    REQUIRE(s.marshal.load(0).drawn_a == Approx(5).margin(0.3));
    s.fade(6, 1, 0.1, 5s);
    s.read(1, 5s);
    s.read(7.4, 20s);  // the oven or the fryer
    REQUIRE(s.marshal.load(1).drawn_a + s.marshal.load(2).drawn_a == 0);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(7.4, 20s);
    CHECK_FALSE(s.alert("disobedience"));
}
