// A driveway, a hot day, a 15 A outlet: it carries one air conditioner, not two -> they are of one rotation,
// so each runs for ten minutes and hands over -> both rooms are cooled, each compressor has its rest, nothing
// trips.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("two air conditioners of one rotation cool both rooms on a 15 A outlet") {
    const RigPlan plan =
        rig_on(touchy_breaker("outlet", 15), {air_conditioner("front-ac", soft_start_a),
                                              air_conditioner("rear-ac", soft_start_a), base_load(0.5)});
    auto configuration = configuration_of(plan);
    const bool turns = GENERATE(true, false);
    CAPTURE(turns);
    if (turns)
        for (auto& load : configuration.rig.loads)
            load.rotation = "rooms";
    SimulatedRig rig(plan, configuration, 1);
    double front_s = 0;
    double rear_s = 0;
    for (int minute = 0; minute < 6 * 60; ++minute) {
        rig.run_for(1min);
        front_s += rig.truth_of("front-ac").running ? 60 : 0;
        rear_s += rig.truth_of("rear-ac").running ? 60 : 0;
    }
    CAPTURE(front_s, rear_s);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").short_cycles + rig.truth_of("rear-ac").short_cycles == 0);
    if (turns) {
        CHECK(front_s > 0.7 * rear_s);
        CHECK(rear_s > 0.7 * front_s);
        CHECK(rig.logged("its turn is over"));
    } else {
        CHECK(front_s > 2 * rear_s);  // rank alone
    }
}
