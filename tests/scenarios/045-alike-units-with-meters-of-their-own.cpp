// Two air conditioners of the same make on 30 A, their relays say nothing of themselves, and each hangs on a
// plug with a meter -> every start and stop is booked to the one it was, and they are staggered for hours ->
// the front one's relay sticks, and a person holds that unit -> it runs on, and is named for it within
// seconds, although its twin beside it would explain the same current -> the breaker never trips.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

namespace {

LoadPlan unit_on_a_plug(std::string name) {
    LoadPlan load = air_conditioner(std::move(name));
    load.relay->feedback = false;
    load.meter = ampmarshal::virtual_rig::MeterPlan{.period = 1s, .peak_hold = false};
    return load;
}

}  // namespace

TEST_CASE("alike units are told apart by their own meters, and so is the one that does not obey") {
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30),
                            {unit_on_a_plug("front-ac"), unit_on_a_plug("rear-ac"), base_load()}),
                     1);
    const auto told_apart = [&] {
        for (const char* load : {"front-ac", "rear-ac"})
            if ((rig.state(load) == "running") && !rig.truth_of(load).running) return false;
        return true;
    };
    int ran = 0;
    for (int minute = 0; minute < 180; ++minute) {
        rig.run_for(1min);
        CAPTURE(minute);
        CHECK(rig.run_until(told_apart, 5s));  // one may just have stopped
        ran += rig.state("front-ac") == "running" ? 1 : 0;
        ran += rig.state("rear-ac") == "running" ? 1 : 0;
    }
    CHECK(ran > 60);
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth_of("rear-ac").served);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth().overlaps_beyond_limit == 0);

    REQUIRE(rig.run_until([&] { return rig.state("front-ac") == "running"; }, 1h));
    rig.rig().set_relay_fault("front-ac", ampmarshal::virtual_rig::RelayFault::stuck_closed);
    rig.set("front-ac", "hold", "true");
    CHECK(rig.run_until([&] { return rig.alert("disobedience-front-ac"); }, 10s));
    CHECK(rig.state("front-ac") == "locked_out");
    rig.run_for(1h);
    CHECK(rig.state("rear-ac") != "locked_out");
    CHECK(rig.truth().trips.empty());
}
