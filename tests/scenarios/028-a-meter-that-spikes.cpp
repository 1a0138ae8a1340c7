// Now and then, for six hours, one reading is 50 A too high -> a reading is believed, so it may cost a load
// its place for half a minute -> it never costs a lockout, an alarm for a stall, or a short rest, and nothing
// trips -> the meter is well again, and so is everything.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE(
    "single readings that are far too high shed at worst, and are taken for no start, stall or "
    "disobedience") {
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30),
                            {air_conditioner("front-ac"), smaller_air_conditioner("rear-ac"), water_heater(),
                             charger(), base_load()}),
                     1);
    const auto all_well = [&] { return rig.truth_of("front-ac").served && rig.truth_of("rear-ac").served; };
    rig.run_for(1s);
    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::spiking, 50);
    rig.run_for(6h);
    for (const char* load : {"front-ac", "rear-ac", "water-heater", "charger"}) {
        CAPTURE(load);
        CHECK(rig.state(load) != "locked_out");
        CHECK(rig.truth_of(load).short_cycles == 0);
    }
    CHECK_FALSE(rig.logged("alert stall"));
    CHECK_FALSE(rig.logged("alert disobedience"));
    CHECK(all_well());
    CHECK(rig.truth().trips.empty());
    rig.rig().set_meter_fault(Leg::l1, ampmarshal::virtual_rig::MeterFault::none);
    rig.run_for(1h);
    CHECK(all_well());
    CHECK(rig.truth().trips.empty());
}
