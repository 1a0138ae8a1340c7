// A poor network loses the first message of every command -> a load that is permitted and says nothing is
// told again seconds later; one that is switched on and does not start is tried again in five minutes ->
// somebody switches the microwave on, a load is shed and draws on: it is told again, before anybody calls it
// disobedient -> nothing trips.
#include <set>

#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("a command whose first message is lost is told again, and nobody is blamed") {
    const auto on_at = 20min;
    SimulatedRig rig(
        rig_on(touchy_breaker("pedestal", 30), {air_conditioner("front-ac"), water_heater(LegSet(Leg::l1), 5),
                                                charger(), microwave({{on_at, on_at + 5min}}), base_load()}),
        1);
    rig.run_for(500ms);  // no switch has been told anything yet
    std::set<std::string> lost;
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) -> std::size_t {
        const bool first =
            message.to == "rig" && lost.insert(std::string(message.topic) + message.payload).second;
        return first ? 0 : 1;
    });
    REQUIRE(rig.run_until([&] { return rig.truth_of("water-heater").running; }, 20s));
    REQUIRE(rig.run_until([&] { return rig.truth_of("charger").running; }, 6min));
    CHECK(lost.contains("rig/heron/relay/charger/setON"));

    rig.run_for(on_at - (rig.now() - ampmarshal::rules::Instant{}));
    lost.clear();
    rig.run_for(5s);
    CHECK(rig.truth_of("microwave").running);
    CHECK_FALSE(rig.truth_of("charger").running);
    CHECK(lost.contains("rig/heron/relay/charger/setOFF"));
    CHECK_FALSE(rig.alert("disobedience-charger"));
    rig.run_for(20min);
    CHECK(rig.truth_of("charger").running);
    CHECK(rig.truth().trips.empty());
}
