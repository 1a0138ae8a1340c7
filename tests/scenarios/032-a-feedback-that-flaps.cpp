// The feedback contact of the charger's relay has come loose: for five minutes it says on and off in turn,
// every 0.7 s, while the contact itself is fine -> the load is told to stop a few times, not without end, and
// is locked out, since it says "on" all the same -> the feedback is steady again, a person has looked, and
// the charger runs.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a feedback that flaps is answered with few commands, and the load comes back when it is steady") {
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30),
               {air_conditioner("front-ac"), water_heater(LegSet(Leg::l1), 5), charger(), base_load()}),
        1);
    REQUIRE(rig.run_until([&] { return rig.truth_of("charger").running; }, 10min));
    rig.run_for(1min);
    int commands = 0;
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) {
        if (message.topic == "rig/heron/relay/charger/set") ++commands;
        return std::size_t{1};
    });
    rig.rig().set_relay_fault("charger", ampmarshal::virtual_rig::RelayFault::feedback_flaps);
    rig.run_for(5min);
    CHECK(commands >= 1);
    CHECK(commands <= 12);
    CHECK(rig.alert("disobedience-charger"));
    CHECK(rig.truth_of("front-ac").running);
    rig.rig().set_relay_fault("charger", ampmarshal::virtual_rig::RelayFault::none);
    rig.run_for(1min);
    rig.set("charger", "acknowledge", "acknowledge");
    REQUIRE(rig.run_until([&] { return rig.truth_of("charger").running; }, 10min));
    CHECK(rig.truth_of("front-ac").served);
    CHECK(rig.truth().trips.empty());
}
