// Somebody has put each clamp on the other leg -> what a load draws shows where nobody expects it, so no
// start is ever seen to settle, and each keeps its reservation on its own leg -> what fits blindly may run,
// and nothing trips -> the clamps are put right, and everything is found where it is.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("with the meters of the two legs swapped the rig knows less, and trips nothing") {
    RigPlan plan =
        rig_on(touchy_breaker("pedestal", 50), {air_conditioner("front-ac", bare_start_a, LegSet(Leg::l1)),
                                                air_conditioner("rear-ac", bare_start_a, LegSet(Leg::l2)),
                                                water_heater(LegSet(Leg::l2)), charger(), base_load()});
    plan.legs = 2;
    SimulatedRig rig(plan, 1);
    rig.rig().swap_meters(true);
    rig.run_for(6h);
    CHECK(rig.truth().trips.empty());
    for (const char* load : {"front-ac", "rear-ac", "water-heater", "charger"})
        CHECK(rig.truth_of(load).served);

    rig.rig().swap_meters(false);
    rig.run_for(1h);
    CHECK(rig.truth().trips.empty());
    for (const char* load : {"front-ac", "rear-ac", "water-heater", "charger"}) {
        CAPTURE(load);
        CHECK(rig.state(load) != "locked_out");
        CHECK(rig.truth_of(load).served);
    }
}
