// A day of cycling, and every hour a kettle for which somebody has to make way -> however often a compressor
// is stopped, by its own thermostat or by us, its contact is not closed before its pressure has equalised.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("no compressor is restarted before its rest in a day of cycling") {
    LoadPlan kettle = microwave({});
    kettle.name = "kettle";
    for (auto at = 1h; at < 24h; at += 1h)
        std::get<ampmarshal::virtual_rig::AppliancePlan>(kettle.kind).uses.push_back({at, at + 4min});
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), air_conditioner("rear-ac"),
                                                water_heater(), kettle, base_load()}),
        1);
    rig.run_for(24h);
    for (const char* load : {"front-ac", "rear-ac"}) {
        CAPTURE(load);
        CHECK(rig.truth_of(load).motor_starts > 50);
        CHECK(rig.truth_of(load).short_cycles == 0);
        CHECK(rig.truth_of(load).stalls == 0);
    }
    CHECK(rig.truth().trips.empty());
}
