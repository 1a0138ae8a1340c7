// The heater (5 A) and the charger (7.4 A) are shed together -> the current falls by 12.4 A, which is also
// what the air conditioner draws -> the fall is theirs, they were just told to stop; the air conditioner runs
// on.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("two loads shed together are not taken for a third that stopped by itself") {
    const auto on_at = 10min;
    RigPlan plan =
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), water_heater(LegSet(Leg::l1), 5),
                                                charger(), microwave({{on_at, on_at + 3min}}), base_load()});
    auto configuration = configuration_of(plan);
    configuration.rig.timing.steady_grace = 0s;
    SimulatedRig rig(plan, configuration, 1);
    rig.run_for(on_at);
    REQUIRE(rig.truth_of("front-ac").running);
    rig.run_for(1min);
    CHECK(rig.truth_of("front-ac").running);
    CHECK_FALSE(rig.truth_of("charger").running);
    CHECK_FALSE(rig.truth_of("water-heater").running);
    CHECK(rig.truth().trips.empty());
}
