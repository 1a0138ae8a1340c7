// The charger's relay does not close -> it is granted, but nothing starts to flow -> it gives its place back,
// a person is told, and it is tried again minutes later, not all the time -> the relay is freed, and the
// charger runs.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("when a relay is stuck open the load is given up, told, and tried again later") {
    const auto feedback = GENERATE(true, false);
    RigPlan plan = rig_on(touchy_breaker("pedestal", 30), {charger(), water_heater(), base_load()});
    plan.loads[0].relay->feedback = feedback;
    plan.loads[0].relay->fault = ampmarshal::virtual_rig::RelayFault::stuck_open;
    SimulatedRig rig(plan, 1);
    int commands = 0;
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) {
        if (message.topic == "rig/heron/relay/charger/set" && message.payload == "ON") ++commands;
        return std::size_t{1};
    });

    REQUIRE(rig.run_until([&] { return rig.alert("did-not-start-charger"); }, 1min));
    CHECK(rig.shown("charger", "reason") == "did_not_start");
    rig.run_for(1s);  // until it is sure that nothing flows that may still fall
    CHECK(rig.truth_of("water-heater").running);
    rig.run_for(1h);
    CHECK(commands >= 6);
    CHECK(commands <= 13);

    rig.rig().set_relay_fault("charger", ampmarshal::virtual_rig::RelayFault::none);
    REQUIRE(rig.run_until([&] { return rig.truth_of("charger").running; }, 10min));
    rig.run_for(5s);
    CHECK_FALSE(rig.alert("did-not-start-charger"));
    CHECK(rig.state("charger") == "running");
}
