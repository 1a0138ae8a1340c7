// A long, thin cord lies between the pedestal and the rig -> the first start shows how far the line sags ->
// from then on a bare compressor that would pull it below the start minimum is held, and says so in volts,
// while a soft-started one runs -> with a proper cord the starts that are seen tell of it, and the other one
// runs, too.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("on a long cord a compressor that would not turn is not started until the cord is a better one") {
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac", soft_start_a),
                                                             air_conditioner("rear-ac"), base_load()}),
                     1);
    rig.rig().set_cord(0.5);
    rig.run_for(2h);
    CHECK(rig.truth_of("rear-ac").motor_starts <= 2);  // its fan and its compressor, once
    CHECK(rig.shown("rear-ac", "reason") == "voltage_too_low");
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.rig().line().voltage_v[Leg::l1] >= 103.5);
    CHECK(rig.truth().trips.empty());

    rig.rig().set_cord(0);
    REQUIRE(rig.run_until([&] { return rig.truth_of("rear-ac").running; }, 6h));
    CHECK(rig.truth().trips.empty());
}
