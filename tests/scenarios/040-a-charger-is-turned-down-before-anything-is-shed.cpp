// The source is nearly full -> somebody switches on something that nobody knew of -> the charger is turned
// down, just as far as needed, and nothing is switched off -> it is over, and the charger is turned up again,
// a step at a time.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a charger is turned down before anything is switched off, and up again last") {
    const auto on_at = 10min;
    LoadPlan unknown = microwave({{on_at, on_at + 5min}});
    std::get<ampmarshal::virtual_rig::AppliancePlan>(unknown.kind).running_a = 9;
    const RigPlan plan =
        rig_on(touchy_breaker("pedestal", 30),
               {adjustable_charger(14), water_heater(LegSet(Leg::l1), 5), base_load(), unknown});
    auto configuration = configuration_of(plan);
    configuration.rig.loads.pop_back();
    configuration.switches.pop_back();
    SimulatedRig rig(plan, configuration, 1);
    const auto drawn_a = [&] { return rig.rig().line().current_a[Leg::l1]; };

    rig.run_for(on_at);
    CHECK(rig.shown("charger", "setting") == "14.0");
    REQUIRE(drawn_a() > 19);
    const int operations = rig.truth_of("charger").operations;

    REQUIRE(rig.run_until(
        [&] { return rig.state("charger") == "running" && rig.shown("charger", "reason") == "turned_down"; },
        10s));
    rig.run_for(3s);
    // 28.5 A may stay on; 9 A, 5 A and about 1.5 A are taken, and a step is 1.75 A.
    CHECK(drawn_a() < 28.5);
    CHECK(drawn_a() > 28.5 - 1.75 - 1);
    CHECK(rig.truth_of("water-heater").running);
    rig.run_for(4min);
    CHECK(rig.truth_of("charger").operations == operations);

    REQUIRE(rig.run_until([&] { return rig.shown("charger", "setting") == "14.0"; }, 5min));
    CHECK(rig.truth_of("charger").operations == operations);
    CHECK(rig.truth_of("water-heater").operations == 1);
    CHECK(rig.truth().trips.empty());
}
