// The meter shows 4 A too much for a day, or as much too little as a fair meter may (2 % of the rating) ->
// too much only costs room: the steady limit is reached sooner -> too little is what the margin below the
// rating is for -> nothing trips either way, and both rooms are cooled.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a meter that is off by as much as a fair meter may be trips nothing and starves nobody") {
    const double off_by_a = GENERATE(4.0, -0.6);
    CAPTURE(off_by_a);
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30),
                            {air_conditioner("front-ac", soft_start_a), smaller_air_conditioner("rear-ac"),
                             water_heater(), base_load()}),
                     1);
    rig.run_for(1s);
    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::offset, off_by_a);
    rig.run_for(24h);
    for (const char* load : {"front-ac", "rear-ac", "water-heater"}) {
        CAPTURE(load);
        CHECK(rig.truth_of(load).served);
        CHECK(rig.truth_of(load).short_cycles == 0);
        CHECK(rig.state(load) != "locked_out");
    }
    CHECK(rig.truth().trips.empty());
}
