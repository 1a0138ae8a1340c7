// The daemon is killed while an air conditioner and the charger run -> the relays stay as they are -> the new
// daemon knows nothing: it takes over what is on, and grants nothing before it has heard the meter and the
// switches -> no compressor is restarted before its rest.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE(
    "a restarted daemon takes over what is on and grants nothing before it has heard meters and switches") {
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30),
                            {air_conditioner("front-ac"), charger(5), water_heater(), base_load()}),
                     1);
    REQUIRE(rig.run_until([&] { return rig.state("front-ac") == "running"; }, 10min));
    rig.set("water-heater", "demand", "false");
    rig.run_for(10s);
    const int operations = rig.truth_of("front-ac").operations;
    int granted = 0;
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) {
        const bool to_heater = message.topic == "rig/heron/relay/water-heater/set";
        if (to_heater && message.payload == "ON") ++granted;
        return std::size_t{1};
    });

    rig.kill_daemon();
    rig.run_for(10s);
    CHECK(rig.broker().retained("homie/5/heron/$state") == "lost");
    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::silent);
    rig.start_daemon();
    rig.run_for(1min);
    CHECK(granted == 0);
    CHECK(rig.truth_of("front-ac").running);
    CHECK(rig.truth_of("charger").running);

    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::none);
    REQUIRE(rig.run_until([&] { return rig.truth_of("water-heater").running; }, 30min));
    CHECK(rig.truth_of("front-ac").operations == operations);
    rig.run_for(2h);
    CHECK(rig.truth_of("front-ac").short_cycles == 0);
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth().trips.empty());
}
