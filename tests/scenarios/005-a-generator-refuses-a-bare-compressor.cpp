// A small generator carries 30 A for a start -> a compressor without a soft starter would draw 46 A and is
// never allowed to try, whatever its rank -> one with a soft starter draws 20 A and runs.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a generator refuses a bare compressor and grants a soft-started one") {
    SimulatedRig rig(rig_on(generator(3000, 3600), {air_conditioner("front-ac", bare_start_a),
                                                    air_conditioner("rear-ac", soft_start_a), base_load()}),
                     1);
    REQUIRE(rig.run_until([&] { return rig.shown("front-ac", "reason") == "start_over_ceiling"; }, 5min));
    CHECK(rig.shown("front-ac", "sentence").find("generator") != std::string::npos);
    rig.run_for(2h);
    CHECK(rig.truth_of("front-ac").operations == 0);
    CHECK(rig.shown("front-ac", "state") == "waiting");
    CHECK(rig.truth_of("rear-ac").motor_starts >= 2);
    CHECK(rig.truth_of("rear-ac").served);
    CHECK(rig.truth().trips.empty());
}
