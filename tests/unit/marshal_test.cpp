// The Marshal by itself: what it grants, withholds, sheds and says. Currents in these tests are invented;
// what is checked against standards is in tests/reference.
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

/// A healthy start of an air conditioner on top of `base_a`: fan, pause, compressor peak, running.
void start_air_conditioner(Stand& s, double base_a, double peak_a, double running_a) {
    s.read(base_a + 2, 2s);
    s.read(base_a + 2 + peak_a, 300ms);
    s.read(base_a + 2 + running_a, 2s);
}

}  // namespace

TEST_CASE("nothing is granted before the link is up and the meters are heard") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}));
    s.wait(5s);
    CHECK(s.why(0) == "waits_for_link");
    s.send(LinkChanged{s.now, true});
    s.wait(5s);
    CHECK(s.why(0) == "waits_for_meter");
    CHECK_FALSE(s.on(0));
    s.read(1, 5s);
    CHECK(s.on(0));
}

TEST_CASE("nothing is granted while the source is not known") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}), std::nullopt);
    s.settle();
    CHECK(s.why(0) == "waits_for_source");
    s.send(SourceChanged{s.now, 0});
    s.read(1);
    CHECK(s.on(0));
}

TEST_CASE(
    "a load that reports its switch is not granted before the switch was heard or had its time to speak") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 2s);
    CHECK(s.why(0) == "waits_for_switch");
    SECTION("it speaks") {
        s.send(SwitchFeedback{s.now, 0, false, true});
        s.read(1);
        CHECK(s.on(0));
    }
    SECTION("it stays mute") {
        s.read(1, 6s);
        CHECK(s.on(0));
    }
}

TEST_CASE("a retained off proves nothing, a retained on is taken over") {
    Rig rig = rig_of({breaker(30)}, {resistive("heater", 1, 10)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    s.send(SwitchFeedback{s.now, 0, true, false});
    CHECK(s.marshal.load(0).commanded_on);
    s.send(SwitchFeedback{s.now, 0, false, false});
    CHECK(s.marshal.load(0).commanded_on);
    s.send(SwitchFeedback{s.now, 0, false, true});
    CHECK_FALSE(s.marshal.load(0).commanded_on);
}

TEST_CASE("after a start everything rests its minimum off time, as nobody knows when it last ran") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 40, 11)}));
    s.settle(1, 170s);
    CHECK(s.state(0) == "resting");
    s.read(1, 15s);
    CHECK(s.on(0));
}

TEST_CASE("the second air conditioner waits until the first has started and settled") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 46, 11), air_conditioner("rear", 2, 39, 10)}));
    s.settle(1, 182s);
    REQUIRE(s.on(0));
    CHECK_FALSE(s.on(1));
    CHECK(s.why(1) == "another_start");
    CHECK(s.says(1) == "waits while front starts");
    start_air_conditioner(s, 1, 46, 11);
    CHECK(s.state(0) == "running");
    REQUIRE(s.starts.size() == 2);
    CHECK(s.starts[1].peak_a == Approx(49));
    CHECK(s.starts[1].running_a == Approx(11).margin(0.2));
    s.read(14);
    CHECK(s.on(1));
}

TEST_CASE("both run together on 30 A for a while, and the start of the second fits on top of the first") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 46, 11), air_conditioner("rear", 2, 39, 10)}));
    s.settle(1, 182s);
    start_air_conditioner(s, 1, 46, 11);
    start_air_conditioner(s, 14, 39, 10);
    CHECK(s.state(0) == "running");
    CHECK(s.state(1) == "running");
    s.read(26, 60s);
    CHECK(s.on(0));
    CHECK(s.on(1));
}

TEST_CASE("a start over the generator's starting rating waits, and the reason carries the figures") {
    Stand s(rig_of({generator(2800, 3500)}, {air_conditioner("front", 1, 46, 11)}));
    s.settle(2, 190s);
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "start_over_ceiling");
    CHECK(s.marshal.load(0).reason.needed_a == Approx(2 + 48));
    CHECK(s.marshal.load(0).reason.available_a == Approx(0.97 * 3500 / 120));
    CHECK(s.says(0) ==
          "its start could bring the current to 50.0 A, and the generator allows 28.3 A for a start");
}

TEST_CASE("a heater runs while an air conditioner idles, and is shed when the compressor comes") {
    Stand s(rig_of({breaker(20)}, {air_conditioner("front", 1, 30, 11), resistive("heater", 2, 10)}));
    s.settle(1, 182s);
    REQUIRE(s.on(0));
    s.read(1, 30s);
    REQUIRE(s.on(1));
    s.read(11, 20s);
    CHECK(s.state(1) == "running");
    CHECK(s.state(0) == "permitted");
    s.read(13, 3s);
    CHECK(s.on(1));
    s.read(13 + 30, 300ms);
    const auto commands = s.read_until_command(13 + 11, 4s);
    REQUIRE(commands.size() == 1);
    CHECK(commands[0].load == 1);
    CHECK_FALSE(commands[0].on);
    CHECK(s.state(1) == "shed");
    CHECK(s.on(0));
}

TEST_CASE("a shed decision comes on the very sample that shows the overload") {
    Stand s(rig_of({generator(2400, 3000)}, {resistive("heater", 1, 10)}));
    s.settle(1, 5s);
    s.read(11, 5s);
    REQUIRE(s.state(0) == "running");
    const auto commands = s.read(26);  // one reading over the ceiling of 25 A
    REQUIRE(commands.size() == 1);
    CHECK(word(commands[0].reason.kind) == std::string("shed_ceiling"));
}

TEST_CASE("shedding goes from the lowest rank up and stops as soon as the rest fits") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 8), resistive("b", 2, 8), resistive("c", 3, 3)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.read(17, 3s);
    s.read(20, 3s);
    REQUIRE(s.state(2) == "running");
    const auto commands = s.read_until_command(31, 3s);  // 11 A come from elsewhere: 28.5 A may stay
    REQUIRE(commands.size() == 1);
    CHECK(commands[0].load == 2);
}

TEST_CASE(
    "the effect of a shed is expected for the reaction time, then judged: who does not obey is locked out") {
    Stand s(rig_of({breaker(20)}, {resistive("a", 1, 8), resistive("b", 2, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.read(17, 3s);
    REQUIRE(s.state(1) == "running");
    auto commands = s.read_until_command(24, 3s);
    REQUIRE(commands.size() == 1);
    CHECK(commands[0].load == 1);
    SECTION("it obeys: nothing more is shed") {
        commands = s.read(16, 5s);
        CHECK(commands.empty());
        CHECK(s.on(0));
    }
    SECTION("it does not: the next one is shed, and it stays out") {
        s.read(24, 3s);
        CHECK_FALSE(s.on(0));
        CHECK(s.alert("disobedience"));
        CHECK(s.state(1) == "locked_out");
        s.read(1, 60s);
        CHECK(s.state(1) == "locked_out");
        s.send(OperatorRequest{s.now, 1, Request::acknowledge});
        CHECK_FALSE(s.alert("disobedience"));
        s.read(1, 60s);
        CHECK(s.on(1));
    }
}

TEST_CASE("a start that does not settle is a stall: off, locked out, alert") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 46, 11)}));
    s.settle(1, 182s);
    s.read(3, 3s);
    const auto commands = s.read(3 + 44, 1s);
    REQUIRE(commands.size() == 1);
    CHECK_FALSE(commands[0].on);
    CHECK(s.state(0) == "locked_out");
    CHECK(s.alert("stall"));
    s.read(1, 400s);
    CHECK_FALSE(s.on(0));
    s.send(OperatorRequest{s.now, 0, Request::acknowledge});
    s.read(1, 400s);
    CHECK(s.on(0));
}

TEST_CASE("a compressor that cycles off is expected to start again") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 46, 11)}));
    s.settle(1, 182s);
    start_air_conditioner(s, 1, 46, 11);
    const double before_a = s.marshal.limits()[0].start_headroom_a;
    s.read(1, 2s);
    CHECK(s.state(0) == "permitted");
    CHECK(s.marshal.limits()[0].start_headroom_a < before_a - 46 + 13 + 2);
    start_air_conditioner(s, 1, 46, 11);
    CHECK(s.state(0) == "running");
}

TEST_CASE("a permit that no longer fits is taken back before anything that runs is stopped") {
    // On this generator one compressor may start beside one that runs, not two.
    Stand s(rig_of({generator(3200, 4000)},
                   {air_conditioner("front", 1, 15, 9.5), air_conditioner("rear", 2, 15, 9.5)}));
    s.settle(1, 182s);
    start_air_conditioner(s, 1, 15, 9.5);
    REQUIRE(s.state(0) == "running");
    REQUIRE(s.on(1));
    s.read(12.5, 30s);
    s.read(1, 2s);  // the front one cycles off: both could start now
    CHECK(s.on(0));
    CHECK_FALSE(s.on(1));
    CHECK(s.marshal.load(1).state == LoadState::shed);
}

TEST_CASE("a load of higher rank makes room for itself and starts when the meter confirms it") {
    Stand s(
        rig_of({generator(2400, 3000)}, {air_conditioner("front", 1, 20, 11), resistive("heater", 2, 10)}));
    s.send(DemandChanged{s.now, 0, false});
    s.settle(1, 5s);
    s.read(11, 200s);
    REQUIRE(s.state(1) == "running");
    s.send(DemandChanged{s.now, 0, true});
    CHECK_FALSE(s.on(1));
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "makes_room");
    CHECK(s.says(0) == "waits for heater to make room");
    CHECK(s.says(1).rfind("shed to make room for front", 0) == 0);
    s.read(11, 200ms);
    CHECK_FALSE(s.on(0));
    s.read(1, 500ms);
    CHECK(s.on(0));
}

TEST_CASE("the same two loads do not swap twice within the dwell") {
    Stand s(
        rig_of({generator(2400, 3000)}, {air_conditioner("front", 1, 20, 11), resistive("heater", 2, 10)}));
    s.send(DemandChanged{s.now, 0, false});
    s.settle(1, 5s);
    s.read(11, 200s);
    s.send(DemandChanged{s.now, 0, true});
    s.read(1, 1s);
    REQUIRE(s.on(0));
    s.send(DemandChanged{s.now, 0, false});
    s.read(1, 70s);  // it ran for less than ten minutes, so it waits twice the 30 s
    s.read(11, 200s);
    REQUIRE(s.on(1));
    s.send(DemandChanged{s.now, 0, true});
    s.read(11, 1s);
    CHECK(s.on(1));
    s.read(11, 400s);
    CHECK_FALSE(s.on(1));
}

TEST_CASE("a silent meter counts every load at its worst and grants nothing") {
    Stand s(
        rig_of({generator(3200, 4000)}, {air_conditioner("front", 1, 15, 11), resistive("heater", 2, 8)}));
    s.settle(1, 182s);
    start_air_conditioner(s, 1, 15, 11);
    s.read(22, 5s);
    REQUIRE(s.state(1) == "running");
    s.wait(900ms);
    CHECK(s.on(1));
    SECTION("what fits at its worst stays on") {
        s.wait(30s);
        CHECK(s.on(0));
        CHECK(s.on(1));
        CHECK(s.alert("meter_silent"));
        s.read(22, 2s);
        CHECK_FALSE(s.alert("meter_silent"));
        CHECK(s.state(0) == "running");
    }
    SECTION("what does not fit goes, lowest rank first") {
        s.send(SourceChanged{s.now, std::nullopt});
        CHECK_FALSE(s.on(0));
    }
}

TEST_CASE("a smaller source sheds at once") {
    Stand s(rig_of({breaker(30), breaker(15)}, {resistive("a", 1, 9), resistive("b", 2, 9)}));
    s.settle(1, 3s);
    s.read(10, 3s);
    s.read(19, 3s);
    REQUIRE(s.state(1) == "running");
    const auto commands = s.send(SourceChanged{s.now, 1});
    REQUIRE(commands.size() == 1);
    CHECK(commands[0].load == 1);
    CHECK(s.on(0));
}

TEST_CASE("a 240 V load runs only on two legs") {
    Rig rig = rig_of({breaker(50, Feed::two_legs), breaker(30, Feed::shared_by_legs)},
                     {resistive("range", 1, 10, LegSet::both())}, LegSet::both());
    Stand s(rig);
    s.settle(1, 5s);
    CHECK(s.on(0));
    s.send(SourceChanged{s.now, 1});
    CHECK_FALSE(s.on(0));
    CHECK(s.says(0) == "needs 240 V, which this source does not have");
}

TEST_CASE("two legs fed by one conductor add up") {
    Rig rig = rig_of({breaker(30, Feed::shared_by_legs)},
                     {resistive("a", 1, 12), resistive("b", 2, 12, LegSet(Leg::l2))}, LegSet::both());
    Stand s(rig);
    s.send(LinkChanged{s.now, true});
    s.read(3, 1500ms, 3);
    CHECK(s.on(0));
    s.read(15, 3s, 3);
    CHECK_FALSE(s.on(1));  // 15 + 3 + 12 = 30 A, and 28.5 A may stay on
    CHECK(s.why(1) == "steady_full");
    CHECK(s.marshal.load(1).reason.needed_a == Approx(30).margin(0.1));
}

TEST_CASE("an uncontrolled load that may come at any time keeps its reserve") {
    // Alone, the air conditioner fits this generator; with the microwave that may come at any moment it does
    // not.
    Stand with(
        rig_of({generator(2400, 3000)}, {air_conditioner("front", 1, 18, 11), observed("microwave", 12)}));
    with.settle(1, 190s);
    CHECK(with.why(0) == "start_over_ceiling");
    Stand without(rig_of({generator(2400, 3000)}, {air_conditioner("front", 1, 18, 11)}));
    without.settle(1, 190s);
    CHECK(without.on(0));
}

TEST_CASE("when the supply is gone everything is off and rests, then comes back in sequence") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 46, 11), air_conditioner("rear", 2, 39, 10)}));
    s.voltage_v = 118;
    s.settle(1, 182s);
    start_air_conditioner(s, 1, 46, 11);
    start_air_conditioner(s, 14, 39, 10);
    REQUIRE(s.state(1) == "running");
    s.voltage_v = 2;
    s.read(0, 5s);
    CHECK_FALSE(s.on(0));
    CHECK_FALSE(s.on(1));
    CHECK(s.alert("supply_lost"));
    s.voltage_v = 118;
    s.read(1, 170s);
    CHECK_FALSE(s.alert("supply_lost"));
    CHECK_FALSE(s.on(0));
    s.read(1, 15s);
    CHECK(s.on(0));
    CHECK_FALSE(s.on(1));
}

TEST_CASE("while the link is down nothing is commanded, then every switch is told anew what it should be") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 8), resistive("b", 2, 8)}));
    s.send(DemandChanged{s.now, 1, false});
    s.settle(1, 3s);
    s.read(9, 3s);
    s.send(LinkChanged{s.now, false});
    s.send(DemandChanged{s.now, 1, true});
    CHECK(s.read(9, 10s).empty());
    CHECK(s.why(1) == "waits_for_link");
    s.send(LinkChanged{s.now, true});
    const auto commands = s.read(9, 1s);
    REQUIRE(commands.size() == 2);
    CHECK(commands[0].on);
    CHECK_FALSE(commands[0].changes);
    CHECK_FALSE(commands[1].on);
}

TEST_CASE(
    "a switch that reports on while it should be off is told off three times, then locked out and counted") {
    Rig rig = rig_of({breaker(30)}, {resistive("a", 1, 8)});
    rig.loads[0].reports_switch = true;
    rig.loads[0].wanted_at_start = false;
    Stand s(rig);
    s.settle(1, 5s);
    int offs = 0;
    for (int n = 0; n < 10; ++n) {
        for (const Switch& c : s.send(SwitchFeedback{s.now, 0, true, true}))
            offs += c.on ? 0 : 1;
        s.read(9, 2s);
    }
    CHECK(offs == 3);
    CHECK(s.state(0) == "locked_out");
    CHECK(s.alert("disobedience"));
}

TEST_CASE("a switch opened by somebody else is believed and comes back only through the queue") {
    Rig rig = rig_of({breaker(30)}, {resistive("a", 1, 8)});
    rig.loads[0].reports_switch = true;
    Stand s(rig);
    s.settle(1, 8s);
    s.read(9, 3s);
    REQUIRE(s.on(0));
    s.send(SwitchFeedback{s.now, 0, false, true});
    CHECK_FALSE(s.marshal.load(0).commanded_on);
    CHECK(s.read(1, 29s).empty());
    CHECK(s.read(1, 2s).size() == 1);
}

TEST_CASE("a switched load that does not start is released and tried again later") {
    Rig rig = rig_of({breaker(30)}, {resistive("a", 1, 8)});
    rig.loads[0].control = Control::switched;
    Stand s(rig);
    s.settle(1, 2s);
    REQUIRE(s.on(0));
    s.read(1, 5s);
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "did_not_start");
    CHECK(s.alert("did_not_start"));
    for (const Switch& told : s.read(1, 280s))
        CHECK_FALSE(told.on);
    CHECK(s.read_until_command(1, 30s).size() == 1);
    CHECK(s.on(0));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    CHECK(s.why(0) == "held_by_person");
}

TEST_CASE("a person's hold switches a load off and a release brings it back through the queue") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.send(OperatorRequest{s.now, 0, Request::hold});
    CHECK_FALSE(s.on(0));
    CHECK(s.state(0) == "off");
    s.read(1, 5s);
    s.send(OperatorRequest{s.now, 0, Request::release});
    s.read(1);
    CHECK(s.on(0));
}

TEST_CASE("an overload that nothing can relieve is told") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 8)}));
    s.settle(29.5, 40s);
    CHECK_FALSE(s.on(0));
    CHECK(s.alert("overload"));
    CHECK(s.alert("trip_nears"));
    s.read(5, 300s);
    CHECK_FALSE(s.alert("overload"));
    CHECK_FALSE(s.alert("trip_nears"));
}

TEST_CASE("flapping around the steady limit cannot put off a shed") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 8), resistive("b", 2, 8)}));
    s.settle(1, 3s);
    s.read(9, 3s);
    s.read(17, 3s);
    bool shed = false;
    for (int n = 0; n < 20 && !shed; ++n) {
        s.read(29, 300ms);
        s.read(28.2, 300ms);
        shed = !s.on(1);
    }
    CHECK(shed);
}

TEST_CASE(
    "a load that is shed after short runs and long ones in turn moves its contact at most 12 times an hour") {
    const Duration long_run = GENERATE(601s, 1201s);
    CAPTURE(long_run.count());
    Stand s(rig_of({breaker(15)}, {resistive("heater", 1, 10)}));
    s.settle(1, 1s);
    int moves = 0;
    for (bool lasts = true; s.now < Instant(6h); lasts = !lasts) {
        while (!s.on(0))
            s.read(1, 1s);
        s.read(11, lasts ? long_run : 5s);
        while (s.on(0))
            s.read(18);
        moves += 2;
    }
    CHECK(moves <= 6 * 12);
}

TEST_CASE("the 80 % rule sheds only after hours, and the load comes back when the image has cooled") {
    Stand s(rig_of({breaker(30)}, {resistive("a", 1, 13), resistive("b", 2, 13)}));
    s.settle(1, 3s);
    s.read(14, 3s);
    s.read(27, 3s);
    REQUIRE(s.state(1) == "running");
    s.read(27, std::chrono::hours(2));
    CHECK(s.on(1));
    CHECK(s.read_until_command(27, std::chrono::hours(4)).size() == 1);
    CHECK_FALSE(s.on(1));
    CHECK(s.on(0));
    s.read(14, std::chrono::hours(2));
    CHECK(s.on(1));
}

TEST_CASE("while only observing, it advises once and changes nothing of what it believes") {
    Rig rig = rig_of({generator(2400, 3000)}, {resistive("a", 1, 10)});
    rig.loads[0].reports_switch = true;
    rig.observing = true;
    Stand s(rig);
    s.settle(1, 10s);
    CHECK(s.says(0) == "would be granted; only observing");
    s.send(SwitchFeedback{s.now, 0, true, true});
    s.read(11, 5s);
    CHECK(s.state(0) == "running");
    const auto commands = s.read(26, 3s);  // it stays on, since nothing is really commanded
    REQUIRE(commands.size() == 1);
    CHECK_FALSE(commands[0].on);
    CHECK(s.marshal.load(0).commanded_on);
}

TEST_CASE("a start that would take over 90 % of a generator's starting rating is told before it comes") {
    const auto load = air_conditioner("front", 1, 20, 9);
    Rig rig = rig_of({generator(2400, 3000), generator(3000, 4000)}, {load});
    Stand s(rig, 1);
    s.settle(1, 190s);  // 1 + 22 A of 33.3 A
    REQUIRE(s.on(0));
    CHECK_FALSE(s.alert("start_tight"));
    s.send(SourceChanged{s.now, 0});
    s.read(0.4, 1s);  // 22.4 A: under 90 % of 25 A
    CHECK(s.on(0));
    CHECK_FALSE(s.alert("start_tight"));
    s.read(0.6, 1s);  // 22.6 A
    CHECK(s.alert("start_tight"));
    s.read(0.4, 100s);  // not yet clearly less
    CHECK(s.alert("start_tight"));
    s.send(OperatorRequest{s.now, 0, Request::hold});
    s.read(0.4, 59s);
    CHECK(s.alert("start_tight"));
    s.read(0.4, 2s);
    CHECK_FALSE(s.alert("start_tight"));
}

TEST_CASE("a shed and the rise that caused it may cancel each other: the same overload sheds only once") {
    Rig rig = rig_of({breaker(30)},
                     {resistive("front", 1, 13.5), resistive("rear", 2, 11.5), observed("microwave", 12.5)});
    rig.timing.steady_grace = 0s;
    rig.loads[2].stages[0].start_window = 500ms;
    Stand s(rig);
    s.settle(1.5, 2s);
    s.read(15, 2s);
    s.read(26.5, 2s);
    REQUIRE(s.state(1) == "running");
    const auto commands = s.read_until_command(39, 2s);
    REQUIRE(commands.size() == 1);
    CHECK(commands[0].load == 1);
    CHECK(s.read(39, 200ms).empty());
    CHECK(s.read(27.5, 5s).empty());
    CHECK(s.state(0) == "running");
}
