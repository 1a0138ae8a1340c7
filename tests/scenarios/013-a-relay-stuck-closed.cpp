// The charger's relay has welded shut, and a person wants the charger off -> its current stays -> it is
// locked out, and the person is told -> somebody switches the microwave on -> nobody relies on the charger
// any more: the next load goes instead, in time.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a relay stuck closed is told and locked out, and the next load is shed in its place") {
    const auto on_at = 10min;
    LoadPlan small_microwave = microwave({{on_at, on_at + 3min}});
    std::get<ampmarshal::virtual_rig::AppliancePlan>(small_microwave.kind).running_a = 7.5;
    RigPlan plan =
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), water_heater(LegSet(Leg::l1), 7),
                                                charger(), small_microwave, base_load(0.5)});
    plan.loads[2].relay->feedback = GENERATE(true, false);
    CAPTURE(plan.loads[2].relay->feedback);
    SimulatedRig rig(plan, 1);
    rig.run_for(5min);
    for (const char* load : {"front-ac", "water-heater", "charger"})
        REQUIRE(rig.truth_of(load).running);

    rig.rig().set_relay_fault("charger", ampmarshal::virtual_rig::RelayFault::stuck_closed);
    rig.set("charger", "hold", "true");
    REQUIRE(rig.run_until([&] { return rig.alert("disobedience-charger"); }, 10s));
    CHECK(rig.state("charger") == "locked_out");
    CHECK(rig.truth_of("water-heater").running);  // so far all fits

    REQUIRE(rig.run_until([&] { return rig.truth_of("microwave").running; }, 10min));
    rig.run_for(5s);
    CHECK(rig.truth_of("charger").running);
    CHECK_FALSE(rig.truth_of("water-heater").running);
    CHECK(rig.truth_of("front-ac").running);
    rig.run_for(1h);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.state("charger") == "locked_out");
}
