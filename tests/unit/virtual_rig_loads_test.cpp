// The virtual rig's loads: rooms, thermostats, compressors that start, settle and stall, and the small ones.
#include <cmath>

#include "tests/support/catch.h"
#include "tests/unit/virtual_rig_bench.h"

namespace ampmarshal::virtual_rig {

using namespace bench;

TEST_CASE(
    "a motor starts at its locked-rotor current, falls exponentially and settles at its running current") {
    const MotorPlan plan{.running_a = 10, .start_a = 50, .plateau = 100ms, .fall = 50ms};
    Motor motor(plan);
    const auto current_a = [&](Duration t) {
        const Draw d = motor.draw(beginning + t, 120);
        return d.constant_a + 120 * d.conductance_s;
    };
    CHECK(current_a(0s) == 0);
    motor.start(beginning, false);
    CHECK(current_a(0s) == Approx(50));
    CHECK_FALSE(motor.turn(beginning + 95ms, 120));
    CHECK(current_a(95ms) == Approx(50));
    CHECK_FALSE(motor.turn(beginning + 100ms, 120));
    CHECK(current_a(150ms) == Approx(10 + 40 * std::exp(-1.0)));
    CHECK_FALSE(motor.turn(beginning + 395ms, 120));
    CHECK(motor.starting());
    CHECK(motor.turn(beginning + 400ms, 120));
    CHECK(motor.running());
    CHECK(current_a(400ms) == Approx(10));
}

TEST_CASE("a motor does not turn while its voltage is too low, and draws less for it") {
    Motor motor({.running_a = 10, .start_a = 50, .plateau = 100ms, .turns_from_v = 85});
    motor.start(beginning, false);
    motor.turn(beginning + 2s, 80);
    CHECK(motor.stalled(beginning + 2s));
    CHECK(motor.draw(beginning + 2s, 120).conductance_s * 80 == Approx(50.0 * 80 / 120));
    motor.turn(beginning + 3s, 90);
    CHECK_FALSE(motor.stalled(beginning + 3s));
}

TEST_CASE("an air conditioner starts its fan at once and its compressor after its delay") {
    Bench bench(quiet_plan({unit(small_unit())}));
    bench.command(1s, "ac", "ON");
    bench.run_to(20s);
    CHECK(bench.when(Happening::contact_closed) == Duration(1050ms));
    CHECK(bench.when(Happening::start_began, "fan") == Duration(1050ms));
    CHECK(bench.when(Happening::start_began, "compressor") == Duration(6050ms));
    // 120 ms plateau and six times 60 ms, to the next step of 5 ms.
    CHECK(rules::seconds(*bench.when(Happening::start_ended, "compressor") - 6050ms) ==
          Approx(0.48).margin(0.011));
    CHECK(bench.rig.line().current_a[Leg::l1] == Approx(12));
    CHECK(bench.rig.truth().worst_a[Leg::l1] == Approx(47));
}

/// Where nothing else happens a thermostat is looked at so often.
constexpr double looked_at = 1;

TEST_CASE("the room cools to the set point, and the permitted unit then cycles on its own thermostat") {
    AirConditionerPlan plan = small_unit();
    plan.thermostat.hysteresis_k = 1;
    plan.pressure_equalises = 10s;
    Bench bench(quiet_plan({unit(plan)}));
    bench.command(0s, "ac", "ON");
    bench.run_to(30min);
    const auto off = bench.when(Happening::load_off);
    REQUIRE(off);
    // C dT/dt = loss (38 - T) - cooling: an exponential with C/loss = 1000 s towards 38 C, and towards 3 C
    // while cooling. The compressor settles at 5.53 s; until then the room warms.
    const double warmed_c = 38 - 8 * std::exp(-5.53 / 1000);
    CHECK(rules::seconds(*off) ==
          Approx(5.53 + 1000 * std::log((warmed_c - 3) / (23 - 3))).margin(looked_at));
    // It warms from 23 to 25: 1000 s x ln(15/13) = 143.1 s.
    const auto again = bench.when(Happening::start_began, "fan", *off);
    REQUIRE(again);
    CHECK(rules::seconds(*again - *off) == Approx(143.1).margin(looked_at));
    const Truth truth = bench.rig.truth();
    CHECK(truth.loads[0].temperature_c.value() >= 22.9);
    CHECK(truth.loads[0].temperature_c.value() <= 25.1);
    CHECK(truth.loads[0].short_cycles == 0);
    CHECK(truth.loads[0].stalls == 0);
    CHECK(truth.loads[0].served);
}

TEST_CASE("a switched unit runs whatever its thermostat says") {
    AirConditionerPlan plan = small_unit();
    plan.room.start_c = 15;
    Bench permitted(quiet_plan({unit(plan)}));
    permitted.command(0s, "ac", "ON");
    permitted.run_to(20s);
    CHECK_FALSE(permitted.rig.truth().loads[0].running);
    CHECK_FALSE(permitted.rig.truth().loads[0].wants);
    CHECK(permitted.rig.truth().loads[0].served);
    Bench switched(quiet_plan({unit(plan, Control::switched)}));
    CHECK_FALSE(switched.rig.truth().loads[0].served);
    switched.command(0s, "ac", "ON");
    switched.run_to(20s);
    CHECK(switched.rig.truth().loads[0].running);
}

TEST_CASE(
    "a compressor restarted too soon stalls until its overload opens, and starts well after it closes") {
    Bench bench(quiet_plan({unit(small_unit())}));
    bench.command(0s, "ac", "ON");
    bench.command(60s, "ac", "OFF");
    bench.command(70s, "ac", "ON");
    bench.run_to(80s);
    const auto restart = bench.when(Happening::short_cycled, "compressor");
    REQUIRE(restart == Duration(75050ms));
    CHECK(bench.rig.line().current_a[Leg::l1] == Approx(47));
    CHECK(bench.when(Happening::stalled, "compressor").has_value());
    bench.run_to(90s);
    CHECK(*bench.when(Happening::overload_opened, "compressor") - *restart == 10s);
    CHECK(bench.rig.line().current_a[Leg::l1] == Approx(2));
    bench.run_to(300s);
    CHECK(bench.when(Happening::start_began, "compressor", 80s) == Duration(265050ms));
    CHECK(bench.rig.truth().loads[0].running);
    CHECK(bench.rig.truth().loads[0].stalls == 1);
    CHECK(bench.rig.truth().loads[0].short_cycles == 1);
}

TEST_CASE("a stall ends when the contact opens, and an open overload is not closed by switching off and on") {
    Bench bench(quiet_plan({unit(small_unit())}));
    bench.command(0s, "ac", "ON");
    bench.command(60s, "ac", "OFF");
    bench.command(70s, "ac", "ON");
    bench.command(78s, "ac", "OFF");
    bench.run_to(79s);
    CHECK(bench.rig.line().current_a[Leg::l1] == 0);
    CHECK_FALSE(bench.when(Happening::overload_opened, "compressor").has_value());
    bench.command(79s, "ac", "ON");
    bench.command(100s, "ac", "OFF");
    bench.command(101s, "ac", "ON");
    const auto opened = bench.when(Happening::overload_opened, "compressor");
    REQUIRE(opened);
    bench.run_to(400s);
    CHECK(*bench.when(Happening::start_began, "compressor", *opened) == *opened + 180s);
}

TEST_CASE("a unit with a dead start capacitor stalls at every start") {
    AirConditionerPlan plan = small_unit();
    plan.always_stalls = true;
    Bench bench(quiet_plan({unit(plan)}));
    bench.command(0s, "ac", "ON");
    bench.run_to(500s);
    CHECK(bench.rig.truth().loads[0].stalls == 3);
    CHECK(bench.rig.truth().loads[0].short_cycles == 0);
    CHECK_FALSE(bench.rig.truth().loads[0].running);
}

TEST_CASE("a soft-started unit peaks at what its starter lets through") {
    AirConditionerPlan plan = small_unit();
    plan.compressor.start_a = 16;
    Bench bench(quiet_plan({unit(plan)}));
    bench.command(0s, "ac", "ON");
    bench.run_to(20s);
    CHECK(bench.rig.truth().worst_a[Leg::l1] == Approx(18));
}

TEST_CASE("a water heater heats its tank to its thermostat's upper edge and stops") {
    const LoadPlan heater{
        .name = "heater",
        .control = Control::permitted,
        .kind = HeaterPlan{
            .running_a = 12,
            .tank = {.start_c = 50, .surroundings_c = 20, .capacity_j_per_k = 50e3, .loss_w_per_k = 0},
            .thermostat = {.set_c = 60, .hysteresis_k = 2}}};
    Bench bench(quiet_plan({heater}));
    bench.run_to(20min);
    // 12 K x 50 kJ/K at 1440 W.
    CHECK(rules::seconds(bench.when(Happening::load_off).value()) ==
          Approx(12 * 50e3 / 1440).margin(looked_at));
    CHECK(bench.rig.truth().loads[0].temperature_c.value() == Approx(62).margin(0.01));
    CHECK(bench.rig.truth().loads[0].served);
}

TEST_CASE("a charger tapers to its float current, and only while it is powered") {
    const LoadPlan charger{.name = "charger",
                           .relay = RelayPlan{},
                           .kind = ChargerPlan{.bulk_a = 8, .float_a = 1, .bulk = 600s, .taper = 300s}};
    Bench bench(quiet_plan({charger}));
    bench.run_to(1h);
    bench.command(1h, "charger", "ON");
    bench.run_to(1h + 590s);
    CHECK(bench.rig.line().current_a[Leg::l1] == Approx(8));
    bench.run_to(1h + 900s);
    CHECK(bench.rig.line().current_a[Leg::l1] == Approx(1 + 7 * std::exp(-1.0)).epsilon(0.01));
    bench.run_to(3h);
    CHECK(bench.rig.line().current_a[Leg::l1] == Approx(1).margin(0.01));
}

TEST_CASE(
    "a charger that can be set draws no more than that, follows within its time, and charges so much "
    "longer") {
    const auto drawn_a = [](const Bench& bench) { return bench.rig.line().current_a[Leg::l1]; };
    const LoadPlan charger{
        .name = "charger",
        .relay = RelayPlan{},
        .kind = ChargerPlan{.bulk_a = 8, .float_a = 1, .bulk = 600s, .taper = 300s, .follows_within = 800ms}};
    Bench bench(quiet_plan({charger}));
    bench.command(0s, "charger", "ON");
    bench.setting(10s, "charger", "4");
    CHECK(bench.when(Happening::set) == 10s);
    bench.run_to(10s + 200ms);
    CHECK(drawn_a(bench) == Approx(6).margin(1));  // half way down after half of 4/8 of its time
    bench.run_to(10s + 500ms);
    CHECK(drawn_a(bench) == 4);
    bench.run_to(1180s);  // 10 s at 8 A and 1170 s at 4 A, of 600 s at 8 A
    bench.setting(1180s, "charger", "99");
    bench.run_to(1181s);
    CHECK(drawn_a(bench) == 8);
    bench.run_to(1185s + 300s);
    CHECK(drawn_a(bench) == Approx(1 + 7 * std::exp(-1.0)).epsilon(0.01));
    bench.setting(1500s, "charger", "0.5");
    bench.run_to(1502s);
    CHECK(drawn_a(bench) == 0.5);
    CHECK(bench.rig.truth().refused_commands == 0);
}

TEST_CASE("a deaf charger keeps drawing what it draws, and one that cannot be set says so") {
    const auto drawn_a = [](const Bench& bench) { return bench.rig.line().current_a[Leg::l1]; };
    const LoadPlan settable{.name = "charger", .kind = ChargerPlan{.bulk_a = 8, .follows_within = 500ms}};
    Bench bench(quiet_plan({settable}));
    bench.rig.set_deaf("charger", true);
    bench.setting(10s, "charger", "4");
    bench.run_to(20s);
    CHECK(drawn_a(bench) == 8);
    CHECK_FALSE(bench.when(Happening::set));
    bench.rig.set_deaf("charger", false);
    for (const char* nonsense : {"", "ON", "4 A", "nan", "inf", "-1", "1e999"})
        bench.setting(20s, "charger", nonsense);
    bench.setting(20s, "no-charger", "4");
    CHECK(bench.rig.truth().refused_commands == 8);
    bench.run_to(30s);
    CHECK(drawn_a(bench) == 8);

    Bench plain(quiet_plan({{.name = "charger", .kind = ChargerPlan{.bulk_a = 8}}}));
    plain.setting(10s, "charger", "4");
    plain.run_to(20s);
    CHECK(drawn_a(plain) == 8);
    CHECK(plain.rig.truth().refused_commands == 1);
}

TEST_CASE("an appliance runs exactly when its script says") {
    Bench bench(quiet_plan({appliance(12.5, {{10s, 20s}, {30s, 40s}})}));
    bench.run_to(60s);
    REQUIRE(bench.story.size() == 4);
    CHECK(bench.story[0].at == 10s);
    CHECK(bench.story[1].at == 20s);
    CHECK(bench.story[2].at == 30s);
    CHECK(bench.story[3].at == 40s);
    CHECK(bench.rig.truth().loads[0].running_s == Approx(20));
}

TEST_CASE("the base load wanders about its mean with its deviation") {
    RigPlan plan = quiet_plan(
        {{.name = "base", .kind = BaseLoadPlan{.mean_a = 3, .wander_a = 0.2, .wander_time = 20s}}});
    Bench bench(plan);
    double sum = 0;
    double squares = 0;
    const int n = 20000;
    for (int i = 1; i <= n; ++i) {
        bench.run_to(i * 1s);
        const double a = bench.rig.line().current_a[Leg::l1];
        sum += a;
        squares += a * a;
    }
    const double mean = sum / n;
    CHECK(mean == Approx(3).margin(0.05));
    CHECK(std::sqrt(squares / n - mean * mean) == Approx(0.2).epsilon(0.15));
}

}  // namespace ampmarshal::virtual_rig
