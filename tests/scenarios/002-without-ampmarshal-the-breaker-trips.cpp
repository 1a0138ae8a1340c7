// The rig of the first scenario, but no relay was ever fitted -> both compressors start at the same moment ->
// the breaker opens, and everybody sits in the heat.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("the same two air conditioners without ampmarshal trip the breaker") {
    RigPlan plan = rig_on(touchy_breaker("pedestal", 30),
                          {air_conditioner("front-ac"), air_conditioner("rear-ac"), base_load()});
    plan.managed = false;
    SimulatedRig rig(plan, 1);
    const MotorStarts starts(rig);

    rig.run_for(1min);
    CHECK(starts.most_at_once() == 2);
    CHECK(rig.truth().overlaps_beyond_limit == 1);
    CHECK_FALSE(rig.truth().trips.empty());
    CHECK_FALSE(rig.truth_of("front-ac").served);
}
