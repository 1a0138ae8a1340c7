// A stranger leaves a retained "ON" for the water heater on the broker -> the relay obeys it, now and after
// each of its reconnections -> the daemon sees it from the feedback, and tells the relay off, each time.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a retained command of a stranger is obeyed by the relay, seen, and taken back") {
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), water_heater(), base_load()}),
        1);
    rig.run_for(1s);
    rig.set("water-heater", "hold", "true");
    rig.run_for(10min);
    REQUIRE_FALSE(rig.truth_of("water-heater").running);

    const auto stranger = rig.broker().client("stranger");
    rig.run_for(1s);
    stranger->publish({"rig/heron/relay/water-heater/set", "ON", ampmarshal::adapters::Delivery::state});
    REQUIRE(rig.run_until([&] { return rig.truth_of("water-heater").running; }, 1s));
    REQUIRE(rig.run_until([&] { return !rig.truth_of("water-heater").running; }, 5s));

    for (int reconnection = 0; reconnection < 5; ++reconnection) {
        rig.broker().cut(rig.rig_link(), "the wireless network was away");
        rig.run_for(10s);
        rig.broker().restore(rig.rig_link());
        REQUIRE(rig.run_until([&] { return rig.truth_of("water-heater").running; }, 1s));
        REQUIRE(rig.run_until([&] { return !rig.truth_of("water-heater").running; }, 5s));
        rig.run_for(1min);
    }
    CHECK(rig.state("water-heater") == "off");
    CHECK(rig.truth().trips.empty());
}
