// Both air conditioners run on 30 A -> the rig is moved to a 15 A outlet while they run, which would trip
// within seconds -> the second one is shed at once, the first one stays -> back on 30 A the second one
// returns.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("moved from 30 A to 15 A with everything running, the rig sheds before the small breaker trips") {
    RigPlan plan = rig_on(
        touchy_breaker("pedestal", 30),
        {air_conditioner("front-ac", soft_start_a), air_conditioner("rear-ac", soft_start_a), base_load()});
    plan.sources.push_back(touchy_breaker("driveway", 15));
    SimulatedRig rig(plan, 1);
    const auto both_run = [&] { return rig.truth_of("front-ac").running && rig.truth_of("rear-ac").running; };
    REQUIRE(rig.run_until(both_run, 10min));
    rig.run_for(1min);

    rig.rig().change_supply(ampmarshal::virtual_rig::SupplyChange::source, 1);
    rig.run_for(500ms);
    CHECK(rig.truth_of("front-ac").running);
    CHECK_FALSE(rig.truth_of("rear-ac").running);
    CHECK(rig.shown("source", "present") == "driveway");
    rig.run_for(1h);
    CHECK(rig.truth().trips.empty());

    rig.rig().change_supply(ampmarshal::virtual_rig::SupplyChange::source, 0);
    REQUIRE(rig.run_until(both_run, 30min));
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").short_cycles + rig.truth_of("rear-ac").short_cycles == 0);
}
