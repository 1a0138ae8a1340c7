// A hot day without a fault: two air conditioners, alike or not, the heater, the charger, and a cook ->
// contacts wear with every move -> in no hour does a contact move more than twelve times, and everybody gets
// a share.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("on a hot day without faults no contact moves more than twelve times in an hour") {
    const bool twins = GENERATE(true, false);
    CAPTURE(twins);
    SimulatedRig rig(
        rig_on(
            touchy_breaker("pedestal", 30),
            {air_conditioner("front-ac"),
             twins ? air_conditioner("rear-ac") : smaller_air_conditioner("rear-ac"), water_heater(),
             charger(),
             microwave({{7h, 7h + 4min}, {12h, 12h + 10min}, {12h + 15min, 12h + 20min}, {18h, 18h + 6min}}),
             base_load()}),
        1);
    std::vector<int> before(rig.truth().loads.size());
    for (int hour = 0; hour < 24; ++hour) {
        rig.run_for(1h);
        const auto truth = rig.truth();
        for (std::size_t i = 0; i < before.size(); ++i) {
            CAPTURE(hour, truth.loads[i].name);
            CHECK(truth.loads[i].operations - before[i] <= 12);
            before[i] = truth.loads[i].operations;
        }
    }
    CHECK(rig.truth().trips.empty());
    for (const char* load : {"front-ac", "rear-ac", "water-heater", "charger"})
        CHECK(rig.truth_of(load).served);
}
