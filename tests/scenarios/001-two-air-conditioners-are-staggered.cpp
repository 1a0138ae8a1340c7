// Two air conditioners want to cool on 30 A -> the second waits until the compressor of the first has started
// and settled -> both run, and no two motors ever started at the same moment.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("two air conditioners on 30 A start one after the other and then both run") {
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30),
                            {air_conditioner("front-ac"), air_conditioner("rear-ac"), base_load()}),
                     1);
    const MotorStarts starts(rig);

    REQUIRE(rig.run_until([&] { return rig.state("front-ac") == "starting"; }, 5min));
    CHECK(rig.shown("rear-ac", "reason") != "fits");

    REQUIRE(rig.run_until([&] { return rig.truth_of("front-ac").running && rig.truth_of("rear-ac").running; },
                          10min));
    rig.run_for(2h);
    CHECK(starts.most_at_once() == 1);
    CHECK(starts.seen() >= 4);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth_of("rear-ac").served);
}
