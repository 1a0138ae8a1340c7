// Two air conditioners of one make draw the same within the meter's noise, and the network loses readings ->
// one stops by its own thermostat -> nobody can know which -> whatever is done next must also be right if it
// was the other one.
#include "adapters/virtual_rig/random.h"
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("which of two twins has stopped is not decided by the meter's noise") {
    const auto seed = static_cast<std::uint64_t>(GENERATE(range(1, 21)));
    CAPTURE(seed);
    RigPlan plan = rig_on(touchy_breaker("pedestal", 30),
                          {air_conditioner("front-ac"), air_conditioner("rear-ac"), water_heater(), charger(),
                           microwave({{1h, 1h + 5min}, {2h, 2h + 10min}}), base_load()});
    for (const std::size_t unit : {0U, 1U}) {
        auto& room = std::get<ampmarshal::virtual_rig::AirConditionerPlan>(plan.loads[unit].kind).room;
        room.start_c = 32;
        room.capacity_j_per_k = 200e3;
    }
    auto configuration = configuration_of(plan);
    configuration.rig.timing.decision += 300ms;
    SimulatedRig rig(plan, configuration, seed);
    ampmarshal::virtual_rig::Random random(seed, 1);
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) -> std::size_t {
        if (message.from != "rig" || message.topic != "rig/heron/meter/l1") return 1;
        message.due += ampmarshal::rules::from_seconds(random.uniform(0, 0.3));
        const double fate = random.uniform();
        return fate < 0.2 ? 0 : fate < 0.3 ? 2 : 1;
    });
    rig.run_for(3h);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth_of("front-ac").served);
}
