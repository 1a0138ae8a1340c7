// On a household outlet there is room for the water heater, which ranks higher, or for the charger -> a
// person prefers the charger for half an hour -> it takes the room -> the time is over -> the ranks decide
// again.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a preferred load goes before all ranks, until its time is over") {
    LoadPlan heater = water_heater();
    std::get<ampmarshal::virtual_rig::HeaterPlan>(heater.kind).tank.capacity_j_per_k = 1e9;  // never done
    SimulatedRig rig(rig_on(touchy_breaker("driveway", 15), {heater, charger(), base_load()}), 1);
    const auto heats = [&] { return rig.truth_of("water-heater").running; };
    const auto charges = [&] { return rig.truth_of("charger").running; };
    REQUIRE(rig.run_until(heats, 1min));
    rig.run_for(20min);
    REQUIRE_FALSE(charges());

    rig.set("charger", "prefer", "30");
    rig.run_for(1s);
    CHECK(rig.shown("charger", "prefer") == "30");
    REQUIRE(rig.run_until(charges, 2min));
    CHECK_FALSE(heats());
    rig.run_for(15min);
    CHECK(charges());
    CHECK(rig.shown("charger", "prefer") == "15");

    REQUIRE(rig.run_until([&] { return rig.shown("charger", "prefer") == "1"; }, 15min));
    CHECK(charges());  // so far nobody has taken anything from it
    REQUIRE(rig.run_until([&] { return rig.shown("charger", "prefer") == "0"; }, 62s));
    REQUIRE(rig.run_until(heats, 10min));
    CHECK_FALSE(charges());
    CHECK(rig.truth().trips.empty());
}
