// The water heater wants 240 V, but an adapter puts the same conductor on both legs -> it is not even tried,
// and says why -> on a pedestal with two real legs it runs.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a 240 V load is not granted on an adapter and runs on two real legs") {
    RigPlan plan = rig_on(touchy_breaker("adapter", 30),
                          {water_heater(LegSet::both()), air_conditioner("front-ac"), base_load()});
    plan.legs = 2;
    plan.sources[0].one_conductor = true;
    plan.sources.push_back(touchy_breaker("pedestal", 50));
    SimulatedRig rig(plan, 1);
    rig.run_for(30min);
    CHECK(rig.truth_of("water-heater").operations == 0);
    CHECK(rig.shown("water-heater", "reason") == "not_served");
    CHECK(rig.truth_of("front-ac").served);

    rig.rig().change_supply(ampmarshal::virtual_rig::SupplyChange::source, 1);
    REQUIRE(rig.run_until([&] { return rig.truth_of("water-heater").running; }, 5min));
    rig.run_for(1h);
    CHECK(rig.truth().trips.empty());
}
