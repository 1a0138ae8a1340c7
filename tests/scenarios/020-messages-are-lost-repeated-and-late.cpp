// A poor wireless network loses a fifth of the readings, repeats some, and delays each by up to 300 ms, so
// that they overtake each other -> the daemon knows less and knows it later -> loads may wait longer, but
// nothing trips.
#include "adapters/virtual_rig/random.h"
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

TEST_CASE("lost, repeated and late readings trip nothing") {
    const auto seed = GENERATE(range(1, 6));
    CAPTURE(seed);
    RigPlan plan = rig_on(touchy_breaker("pedestal", 30),
                          {air_conditioner("front-ac"), smaller_air_conditioner("rear-ac"), water_heater(),
                           charger(), microwave({{1h, 1h + 5min}, {2h, 2h + 10min}}), base_load()});
    auto configuration = configuration_of(plan);
    configuration.rig.timing.decision += 300ms;  // a careful owner counts on such a network
    SimulatedRig rig(plan, configuration, static_cast<std::uint64_t>(seed));
    ampmarshal::virtual_rig::Random random(static_cast<std::uint64_t>(seed), 1);
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) -> std::size_t {
        if (message.from != "rig" || message.topic != "rig/heron/meter/l1") return 1;
        message.due += ampmarshal::rules::from_seconds(random.uniform(0, 0.3));
        const double fate = random.uniform();
        return fate < 0.2 ? 0 : fate < 0.3 ? 2 : 1;
    });
    rig.run_for(3h);
    CHECK(rig.truth().trips.empty());
    CHECK(rig.truth().overlaps_beyond_limit == 0);
    CHECK(rig.truth_of("front-ac").short_cycles + rig.truth_of("rear-ac").short_cycles == 0);
    CHECK(rig.truth_of("front-ac").served);
}
