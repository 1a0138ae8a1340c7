// The charger's relay has become slow: it moves two seconds late -> somebody switches the microwave on, and
// the charger, told to stop, draws on for longer than its relay may take -> the next load goes in its place,
// in time -> the charger is called disobedient until a person has looked, and nothing trips.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a relay that moves two seconds late is not waited for") {
    const auto on_at = 10min;
    RigPlan plan = rig_on(touchy_breaker("pedestal", 30),
                          {air_conditioner("front-ac"), water_heater(LegSet(Leg::l1), 7), charger(),
                           microwave({{on_at, on_at + 5min}}), base_load(0.5)});
    plan.loads[2].relay->feedback = GENERATE(true, false);
    CAPTURE(plan.loads[2].relay->feedback);
    SimulatedRig rig(plan, 1);
    rig.run_for(5min);
    for (const char* load : {"front-ac", "water-heater", "charger"})
        REQUIRE(rig.truth_of(load).running);
    rig.rig().set_relay_fault("charger", ampmarshal::virtual_rig::RelayFault::slow);
    rig.run_for(5min + 1500ms);
    CHECK(rig.truth_of("charger").running);
    CHECK_FALSE(rig.truth_of("water-heater").running);
    rig.run_for(3s);
    CHECK_FALSE(rig.truth_of("charger").running);
    rig.run_for(1h);
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth().trips.empty());
}
