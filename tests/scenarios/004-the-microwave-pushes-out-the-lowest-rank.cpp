// Everything runs and the source is nearly full -> somebody switches the microwave on, which nobody can
// forbid -> the charger, of the lowest rank, goes, and nothing else -> the dish is ready, and the charger
// comes back. A microwave that was configured is given its start first; one that nobody mentioned is an
// overload on the very first reading.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE(
    "a microwave costs the lowest rank its place, within a reading and a relay's time if nobody knew of it") {
    const auto on_at = 10min;
    LoadPlan oven = microwave({{on_at, on_at + 3min}});
    std::get<ampmarshal::virtual_rig::AppliancePlan>(oven.kind).running_a = 9;
    const RigPlan plan =
        rig_on(touchy_breaker("pedestal", 30),
               {air_conditioner("front-ac"), water_heater(LegSet(Leg::l1), 5), charger(), base_load(), oven});
    auto configuration = configuration_of(plan);
    configuration.rig.timing.steady_grace = 0s;
    const bool mentioned = GENERATE(true, false);
    CAPTURE(mentioned);
    const auto its_start =
        mentioned ? configuration.rig.loads.back().start_window() + 5 * plan.meter.period : 0s;
    if (!mentioned) {
        configuration.rig.loads.pop_back();
        configuration.switches.pop_back();
    }
    SimulatedRig rig(plan, configuration, 1);

    rig.run_for(on_at);
    for (const char* load : {"front-ac", "water-heater", "charger"})
        REQUIRE(rig.truth_of(load).running);
    REQUIRE(rig.run_until([&] { return rig.truth_of("microwave").running; }, 1s));

    const auto on_the_wire = 5ms;
    rig.run_for(its_start + plan.meter.period + plan.meter.latency + on_the_wire +
                plan.loads[2].relay->latency + on_the_wire);
    CHECK_FALSE(rig.truth_of("charger").running);
    rig.run_for(1min);
    CHECK(rig.truth_of("front-ac").running);
    CHECK(rig.truth_of("water-heater").running);
    CHECK(rig.state("charger") == "shed");

    REQUIRE(rig.run_until([&] { return rig.truth_of("charger").running; }, 10min));
    CHECK_FALSE(rig.truth_of("microwave").running);
    CHECK(rig.truth().trips.empty());
}
