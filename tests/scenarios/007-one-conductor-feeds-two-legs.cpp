// An adapter feeds both legs of the rig from one 30 A conductor -> an air conditioner on each leg and the
// water heater look small on their own legs, but their currents add up in the conductor -> never all three at
// once.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("on an adapter the currents of both legs add up in the one conductor") {
    RigPlan plan =
        rig_on(touchy_breaker("adapter", 30),
               {air_conditioner("front-ac"), air_conditioner("rear-ac", bare_start_a, LegSet(Leg::l2)),
                water_heater(LegSet(Leg::l2)), base_load()});
    plan.legs = 2;
    plan.sources[0].one_conductor = true;
    SimulatedRig rig(plan, 1);
    const auto sum_a = [&] {
        return rig.rig().line().current_a[Leg::l1] + rig.rig().line().current_a[Leg::l2];
    };

    REQUIRE(rig.run_until([&] { return rig.truth_of("front-ac").running && rig.truth_of("rear-ac").running; },
                          10min));
    rig.run_for(10s);
    CHECK_FALSE(rig.truth_of("water-heater").running);
    CHECK(sum_a() < 28.5);
    rig.run_for(6h);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("water-heater").served);
}
