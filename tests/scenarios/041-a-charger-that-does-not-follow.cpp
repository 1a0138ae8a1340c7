// A charger is told to draw less and draws what it likes -> a person is told, and where it does not fit it is
// switched off, so that what ranks higher keeps running -> it is repaired, the person acknowledges, and it is
// turned down again instead.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a deaf charger costs nobody else its place: a person is told, and it is switched off itself") {
    const auto on_at = 10min;
    LoadPlan unknown = microwave({{on_at, on_at + 5min}, {on_at + 20min, on_at + 25min}});
    std::get<ampmarshal::virtual_rig::AppliancePlan>(unknown.kind).running_a = 9;
    const RigPlan plan =
        rig_on(touchy_breaker("pedestal", 30),
               {water_heater(LegSet(Leg::l1), 5), adjustable_charger(14), base_load(), unknown});
    auto configuration = configuration_of(plan);
    configuration.rig.loads.pop_back();
    configuration.switches.pop_back();
    SimulatedRig rig(plan, configuration, 1);

    rig.run_for(on_at - 1s);
    REQUIRE(rig.shown("charger", "setting") == "14.0");
    rig.rig().set_deaf("charger", true);
    REQUIRE(rig.run_until([&] { return rig.alert("not-adjusted-charger"); }, 30s));
    REQUIRE(rig.run_until([&] { return !rig.truth_of("charger").running; }, 5s));
    CHECK(rig.truth_of("water-heater").running);
    rig.run_for(10min);

    rig.rig().set_deaf("charger", false);
    rig.set("charger", "acknowledge", "acknowledge");
    rig.run_for(1s);
    CHECK_FALSE(rig.alert("not-adjusted-charger"));
    REQUIRE(rig.run_until(
        [&] { return rig.shown("charger", "setting") == "14.0" && rig.truth_of("charger").running; }, 9min));
    const int operations = rig.truth_of("charger").operations;
    REQUIRE(rig.run_until([&] { return rig.truth_of("microwave").running; }, 10min));
    rig.run_for(1min);
    CHECK(rig.shown("charger", "reason") == "turned_down");
    CHECK(rig.truth_of("charger").operations == operations);
    CHECK(rig.truth_of("water-heater").operations == 1);
    CHECK(rig.truth().trips.empty());
}
