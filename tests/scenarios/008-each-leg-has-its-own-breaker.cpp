// On 50 A each leg has a conductor of its own -> the microwave fills up the first leg -> the load of the
// lowest rank on that leg goes; the charger, of lower rank still, sits on the other leg and is left alone.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("with two legs an overload on one sheds on that leg only") {
    const auto on_at = 20min;
    RigPlan plan = rig_on(touchy_breaker("pedestal", 50),
                          {air_conditioner("front-ac"), air_conditioner("rear-ac"), water_heater(), charger(),
                           microwave({{on_at, on_at + 3min}}), base_load()});
    plan.legs = 2;
    plan.loads[3].legs = LegSet(Leg::l2);
    // Rooms so warm that nobody pauses meanwhile.
    for (const std::size_t unit : {0U, 1U})
        std::get<ampmarshal::virtual_rig::AirConditionerPlan>(plan.loads[unit].kind).room.start_c = 45;
    SimulatedRig rig(plan, 1);
    rig.run_for(on_at);
    for (const char* load : {"front-ac", "rear-ac", "water-heater", "charger"})
        REQUIRE(rig.truth_of(load).running);

    rig.run_for(1min);
    CHECK(rig.truth_of("front-ac").running);
    CHECK(rig.truth_of("rear-ac").running);
    CHECK_FALSE(rig.truth_of("water-heater").running);
    CHECK(rig.truth_of("charger").running);
    rig.run_for(10min);
    CHECK(rig.truth_of("water-heater").running);
    CHECK(rig.truth_of("charger").operations == 1);
    CHECK(rig.truth().trips.empty());
}
