// The campground loses power for a few seconds with everything running -> all contacts open before a
// compressor could restart against its own pressure -> everything rests, and comes back one after the other:
// no cold-load surge.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("after a loss of supply everything rests and comes back in sequence") {
    const auto lost_for = GENERATE(as<ampmarshal::rules::Duration>{}, 300ms, 3s, 10min);
    CAPTURE(lost_for.count());
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), air_conditioner("rear-ac"),
                                                water_heater(), charger(), base_load()}),
        1);
    const MotorStarts starts(rig);
    const auto both_run = [&] { return rig.truth_of("front-ac").running && rig.truth_of("rear-ac").running; };
    REQUIRE(rig.run_until(both_run, 10min));
    rig.run_for(1min);

    rig.rig().change_supply(ampmarshal::virtual_rig::SupplyChange::lost);
    rig.run_for(lost_for);
    rig.rig().change_supply(ampmarshal::virtual_rig::SupplyChange::back);
    REQUIRE(rig.run_until(both_run, 1h));
    CHECK(starts.most_at_once() == 1);
    CHECK(rig.truth_of("front-ac").short_cycles + rig.truth_of("rear-ac").short_cycles == 0);
    CHECK(rig.truth().trips.empty());
    CHECK_FALSE(rig.alert("supply-lost"));
}
