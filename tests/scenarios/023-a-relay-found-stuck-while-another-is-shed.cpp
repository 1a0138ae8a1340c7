// Somebody switches the microwave on, and the charger is told to stop, but its relay has welded shut -> the
// heater goes a moment later, and the current falls -> that fall is the heater's: the charger is found out
// all the same, locked out, and a person is told.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a relay stuck closed is found out although another load's current falls meanwhile") {
    const auto on_at = 10min;
    LoadPlan small_microwave = microwave({{on_at, on_at + 3min}});
    std::get<ampmarshal::virtual_rig::AppliancePlan>(small_microwave.kind).running_a = 7.5;
    RigPlan plan =
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), water_heater(LegSet(Leg::l1), 7),
                                                charger(), small_microwave, base_load(0.5)});
    plan.loads[2].relay->feedback = GENERATE(true, false);
    CAPTURE(plan.loads[2].relay->feedback);
    SimulatedRig rig(plan, 1);
    rig.run_for(on_at - 10s);
    for (const char* load : {"front-ac", "water-heater", "charger"})
        REQUIRE(rig.truth_of(load).running);

    rig.rig().set_relay_fault("charger", ampmarshal::virtual_rig::RelayFault::stuck_closed);
    rig.run_for(1min);
    CHECK(rig.truth_of("charger").running);
    CHECK_FALSE(rig.truth_of("water-heater").running);
    CHECK(rig.truth_of("front-ac").running);
    CHECK(rig.alert("disobedience-charger"));
    CHECK(rig.state("charger") == "locked_out");
    rig.run_for(1h);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").served);
}
