// The start capacitor of an air conditioner is dead -> its rotor stays locked at 46 A -> it is switched off
// before the breaker opens, locked out, and a person is told -> the person acknowledges, and it may try once
// more, not sooner.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a compressor that stalls is cut off and locked out until a person acknowledges") {
    LoadPlan broken = air_conditioner("front-ac");
    std::get<ampmarshal::virtual_rig::AirConditionerPlan>(broken.kind).always_stalls = true;
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30), {broken, air_conditioner("rear-ac"), base_load()}), 1);

    REQUIRE(rig.run_until([&] { return rig.alert("stall-front-ac"); }, 5min));
    rig.run_for(1s);
    CHECK(rig.shown("front-ac", "locked-out") == "true");
    CHECK(rig.rig().line().current_a[Leg::l1] < 5);
    rig.run_for(2h);
    CHECK(rig.truth_of("front-ac").operations == 2);
    CHECK(rig.truth_of("rear-ac").served);

    rig.set("front-ac", "acknowledge", "acknowledge");
    rig.run_for(1s);
    CHECK_FALSE(rig.alert("stall-front-ac"));
    CHECK(rig.shown("front-ac", "locked-out") == "false");
    REQUIRE(rig.run_until([&] { return rig.alert("stall-front-ac"); }, 1h));
    CHECK(rig.truth_of("front-ac").stalls == 2);
    CHECK(rig.truth().trips.empty());
}
