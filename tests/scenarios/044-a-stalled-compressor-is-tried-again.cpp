// A compressor stalls -> it is cut off, and tried again after its rest, as often as configured -> then it
// stays off until a person has looked.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a stalled compressor is tried again after its rest as often as configured, and no more") {
    LoadPlan broken = air_conditioner("front-ac");
    std::get<ampmarshal::virtual_rig::AirConditionerPlan>(broken.kind).always_stalls = true;
    const RigPlan plan = rig_on(touchy_breaker("pedestal", 30), {broken, base_load()});
    auto configuration = configuration_of(plan);
    configuration.rig.loads[0].stall_retries = 2;
    SimulatedRig rig(plan, configuration, 1);
    std::vector<ampmarshal::rules::Instant> starts;
    rig.on_story([&](const ampmarshal::virtual_rig::StoryEvent& e) {
        if (e.what == ampmarshal::virtual_rig::Happening::start_began && e.part == "compressor")
            starts.push_back(e.at);
    });

    REQUIRE(rig.run_until([&] { return rig.alert("stall-front-ac"); }, 10min));
    rig.run_for(2h);
    REQUIRE(starts.size() == 3);
    for (std::size_t i = 1; i < starts.size(); ++i)
        CHECK(starts[i] - starts[i - 1] >= configuration.rig.loads[0].minimum_off);
    CHECK(rig.state("front-ac") == "locked_out");
    CHECK(rig.alert("stall-front-ac"));

    rig.set("front-ac", "acknowledge", "acknowledge");
    rig.run_for(2h);
    CHECK(starts.size() == 6);
    CHECK(rig.state("front-ac") == "locked_out");
    CHECK(rig.truth_of("front-ac").short_cycles == 0);
    CHECK(rig.truth().trips.empty());
}
