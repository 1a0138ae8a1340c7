// The meter freezes and repeats one harmless reading for ever -> no start is ever seen to settle, so each
// keeps its reservation -> what cannot fit blindly is not granted; who seems to leave a permit unused hands
// it on after a while -> the rooms are cooled in turn, and nothing trips.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a meter that repeats one reading for ever cannot talk the rig into a trip") {
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), air_conditioner("rear-ac"),
                                                water_heater(), charger(), base_load()}),
        1);
    rig.run_for(1s);
    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::frozen);
    rig.run_for(6h);
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth_of("rear-ac").served);
    CHECK(rig.truth().trips.empty());
}
