// The water heater heats while the air conditioner only may start -> the thermostat calls and the compressor
// comes -> together they are too much for long: the heater is paused, the compressor runs -> the room is
// cool, the compressor stops -> the heater comes back.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("the water heater is paused when the compressor comes and restored when it stops") {
    LoadPlan unit = air_conditioner("front-ac");
    std::get<ampmarshal::virtual_rig::AirConditionerPlan>(unit.kind).room.start_c = 20;
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30), {unit, water_heater(), base_load(6)}), 1);

    const auto heats_while_the_other_may_start = [&] {
        return rig.state("front-ac") == "permitted" && rig.truth_of("water-heater").running;
    };
    REQUIRE(rig.run_until(heats_while_the_other_may_start, 10min));
    CHECK_FALSE(rig.truth_of("front-ac").running);
    const int operations = rig.truth_of("water-heater").operations;

    REQUIRE(rig.run_until([&] { return rig.truth_of("front-ac").running; }, 20min));
    CHECK(rig.truth_of("water-heater").operations ==
          operations);  // while the air conditioner idled it was left alone
    rig.run_for(5s);
    CHECK_FALSE(rig.truth_of("water-heater").running);
    CHECK(rig.state("water-heater") == "shed");
    CHECK(rig.truth_of("front-ac").running);

    REQUIRE(rig.run_until([&] { return !rig.truth_of("front-ac").running; }, 20min));
    REQUIRE(rig.run_until([&] { return rig.truth_of("water-heater").running; }, 2min));
    CHECK(rig.truth().trips.empty());
}
