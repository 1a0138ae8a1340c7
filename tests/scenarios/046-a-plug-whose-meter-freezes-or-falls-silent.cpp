// Two air conditioners of the same make on 30 A, each on a plug with a meter -> the front one's meter freezes
// for hours, then falls silent for hours -> the leg's meter tells what it no longer does: both rooms are
// cooled, staggered as before, nobody is locked out, and the breaker never trips.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;
using ampmarshal::virtual_rig::MeterFault;

TEST_CASE("a load's own meter that freezes or falls silent is not missed, as the leg's meter lives") {
    const MeterFault fault = GENERATE(MeterFault::frozen, MeterFault::silent);
    LoadPlan front = air_conditioner("front-ac");
    LoadPlan rear = air_conditioner("rear-ac");
    front.meter = rear.meter = ampmarshal::virtual_rig::MeterPlan{.period = 1s, .peak_hold = false};
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30), {front, rear, base_load()}), 1);
    REQUIRE(rig.run_until([&] { return rig.state("front-ac") == "running"; }, 1h));
    const auto starts = rig.truth_of("front-ac").motor_starts;
    rig.rig().set_own_meter_fault("front-ac", fault);
    rig.run_for(4h);
    CHECK(rig.truth_of("front-ac").motor_starts > starts + 4);
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth_of("rear-ac").served);
    CHECK_FALSE(rig.logged("locked out"));
    rig.rig().set_own_meter_fault("front-ac", MeterFault::none);
    rig.run_for(2h);
    CHECK_FALSE(rig.logged("locked out"));
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth().overlaps_beyond_limit == 0);
}
