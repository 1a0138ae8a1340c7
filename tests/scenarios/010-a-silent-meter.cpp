// Both air conditioners run -> the meter falls silent, so either of them may stop and start again unseen ->
// only what fits with everything at its worst stays, nothing is granted, a person is told -> the meter is
// back, and so are the loads.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a silent meter sheds down to the worst case, grants nothing, and all recovers with it") {
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac", soft_start_a),
                                                air_conditioner("rear-ac"), water_heater(), base_load()}),
        1);
    const auto both_run = [&] { return rig.truth_of("front-ac").running && rig.truth_of("rear-ac").running; };
    REQUIRE(rig.run_until(both_run, 10min));
    rig.run_for(1min);

    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::silent);
    rig.run_for(3s);
    CHECK(rig.alert("meter-silent"));
    CHECK(rig.shown("source", "metered-l1") == "false");
    CHECK(rig.truth_of("front-ac").running);
    CHECK_FALSE(rig.truth_of("rear-ac").running);
    const int rear_operations = rig.truth_of("rear-ac").operations;
    const int heater_operations = rig.truth_of("water-heater").operations;
    rig.run_for(1h);
    CHECK(rig.truth_of("rear-ac").operations == rear_operations);
    CHECK(rig.truth_of("water-heater").operations == heater_operations);
    CHECK(rig.shown("rear-ac", "reason") == "waits_for_meter");

    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::none);
    rig.run_for(1s);
    CHECK_FALSE(rig.alert("meter-silent"));
    REQUIRE(rig.run_until(both_run, 30min));
    CHECK(rig.truth().trips.empty());
}
