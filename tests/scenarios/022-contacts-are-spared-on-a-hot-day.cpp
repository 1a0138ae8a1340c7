// A hot day without a fault: two air conditioners, the heater, the charger, and a cook -> contacts wear with
// every move
// -> over the day no contact moves more than twelve times an hour on average, and nothing trips.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("on a hot day without faults no contact moves more than twelve times an hour on average") {
    SimulatedRig rig(
        rig_on(
            touchy_breaker("pedestal", 30),
            {air_conditioner("front-ac"), smaller_air_conditioner("rear-ac"), water_heater(), charger(),
             microwave({{7h, 7h + 4min}, {12h, 12h + 10min}, {12h + 15min, 12h + 20min}, {18h, 18h + 6min}}),
             base_load()}),
        1);
    rig.run_for(24h);
    for (const auto& load : rig.truth().loads) {
        CAPTURE(load.name);
        CHECK(load.operations <= 24 * 12);
    }
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth_of("rear-ac").served);
}
