// The broker dies and is back a minute later -> meanwhile nothing can be
// commanded, and the loads go on -> afterwards everything is decided anew from
// what the meters say now; no command of before arrives late.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("after a minute without the broker everything is decided anew and nothing is replayed") {
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30),
               {air_conditioner("front-ac"), air_conditioner("rear-ac"), water_heater(), base_load()}),
        1);
    const auto both_run = [&] { return rig.truth_of("front-ac").running && rig.truth_of("rear-ac").running; };
    REQUIRE(rig.run_until(both_run, 10min));
    rig.run_for(1min);
    std::vector<std::string> commands;
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) {
        if (message.to == "rig") commands.push_back(std::string(message.topic) + " " + message.payload);
        return std::size_t{1};
    });

    rig.broker().stop("the broker was restarted");
    rig.run_for(1min);
    CHECK(both_run());
    rig.broker().start();
    rig.run_for(900ms);
    CHECK(commands.empty());  // the switches may speak first
    rig.run_for(5s);
    CHECK(commands.size() == 3);  // each is told once what it should be
    CHECK(both_run());
    CHECK(rig.state("front-ac") == "running");
    CHECK(rig.state("rear-ac") == "running");
    rig.run_for(2h);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").short_cycles + rig.truth_of("rear-ac").short_cycles == 0);
}
