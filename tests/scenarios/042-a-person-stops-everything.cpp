// Everything runs -> a person stops everything -> it is off within a relay's time, and stays off whatever
// controllers ask for -> the person lets it go on -> it comes back one after the other, after its rest.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE(
    "a person stops everything at once, and lets it go on in the order and with the rests that always hold") {
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 50),
                            {air_conditioner("front-ac"), smaller_air_conditioner("rear-ac"), water_heater(),
                             adjustable_charger(8), base_load()}),
                     1);
    const auto all_run = [&] {
        for (const char* load : {"front-ac", "rear-ac", "water-heater", "charger"})
            if (!rig.truth_of(load).running) return false;
        return true;
    };
    REQUIRE(rig.run_until(all_run, 15min));
    rig.set("rig", "stop-all", "true");
    rig.run_for(500ms);
    CHECK(rig.rig().line().current_a[Leg::l1] < 3);
    CHECK(rig.shown("rig", "stop-all") == "true");
    CHECK(rig.shown("front-ac", "reason") == "stopped_by_person");

    rig.set("water-heater", "demand", "true");
    rig.set("front-ac", "prefer", "30");
    rig.run_for(20min);
    CHECK(rig.rig().line().current_a[Leg::l1] < 3);

    MotorStarts motors(rig);
    rig.set("rig", "stop-all", "false");
    REQUIRE(rig.run_until(all_run, 15min));
    CHECK(rig.shown("rig", "stop-all") == "false");
    CHECK(motors.most_at_once() == 1);
    CHECK(rig.truth_of("front-ac").short_cycles + rig.truth_of("rear-ac").short_cycles == 0);
    CHECK(rig.truth().trips.empty());
}
