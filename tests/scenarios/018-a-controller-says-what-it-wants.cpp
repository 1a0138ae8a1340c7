// The rule controller of the house takes back its demand -> the load stops; asks again -> it returns. A
// person holds a load -> it stays off although it is wanted, until released. Nobody can force a load on: a
// demand is a wish.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a controller asks for a load and holds it back over the Homie topics, but cannot force it on") {
    SimulatedRig rig(rig_on(touchy_breaker("driveway", 15), {water_heater(), charger(), base_load()}), 1);
    const auto heats = [&] { return rig.truth_of("water-heater").running; };
    const auto charges = [&] { return rig.truth_of("charger").running; };
    REQUIRE(rig.run_until(heats, 1min));

    rig.set("charger", "demand", "true");
    rig.run_for(1min);
    CHECK_FALSE(charges());  // there is no room for both

    rig.set("water-heater", "demand", "false");
    rig.run_for(1s);
    CHECK_FALSE(heats());
    CHECK(rig.shown("water-heater", "demand") == "false");
    CHECK(rig.shown("water-heater", "reason") == "not_wanted");
    REQUIRE(rig.run_until(charges, 2min));

    rig.set("water-heater", "hold", "true");
    rig.set("water-heater", "demand", "true");
    rig.run_for(10min);
    CHECK_FALSE(heats());
    CHECK(rig.shown("water-heater", "hold") == "true");
    CHECK(rig.shown("water-heater", "reason") == "held_by_person");
    CHECK(charges());

    rig.set("water-heater", "hold", "false");
    REQUIRE(rig.run_until(heats, 2min));  // of higher rank, it makes room
    CHECK_FALSE(charges());
    CHECK(rig.truth().trips.empty());
}
