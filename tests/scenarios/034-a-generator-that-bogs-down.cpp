// A generator whose air filter clogs has seven tenths of its power left, and its plate does not say so -> its
// frequency sinks under what runs -> the lowest rank goes first, one at a time, until it keeps its speed -> a
// person is told -> the filter is cleaned, and what went comes back.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("when a generator bogs down loads go from the lowest rank up until it keeps its speed") {
    SimulatedRig rig(rig_on(generator(5000, 6500), {air_conditioner("front-ac", soft_start_a), water_heater(),
                                                    charger(), base_load()}),
                     1);
    const auto all_run = [&] {
        return rig.truth_of("front-ac").running && rig.truth_of("water-heater").running &&
               rig.truth_of("charger").running;
    };
    REQUIRE(rig.run_until(all_run, 10min));
    rig.run_for(1min);
    rig.rig().weaken_engine(0.7);
    rig.run_for(30s);
    CHECK(rig.logged("alert low_frequency"));
    CHECK_FALSE(rig.truth_of("charger").running);
    CHECK(rig.truth_of("front-ac").running);
    CHECK(rig.rig().line().frequency_hz >= 0.95 * 60);
    rig.run_for(5min);
    CHECK_FALSE(rig.alert("low-frequency"));
    CHECK(rig.truth().trips.empty());

    rig.rig().weaken_engine(1);
    rig.run_for(2h);
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth_of("charger").served);
    CHECK(rig.truth().trips.empty());
}
