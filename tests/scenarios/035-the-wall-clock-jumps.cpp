// The wall clock is set back by ten years and forward by a day, again and again, and the daemon is killed and
// started between -> waits, rests and heat are measured on a clock of their own, which only ever goes forward
// at its pace -> every command is the same, at the same instant, as on a day with a good clock.
#include "tests/scenarios/invented_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;

namespace {

std::vector<std::string> commands_of_an_afternoon(bool clock_jumps) {
    SimulatedRig rig(rig_on(touchy_breaker("pedestal", 30),
                            {air_conditioner("front-ac"), smaller_air_conditioner("rear-ac"), water_heater(),
                             charger(), base_load()}),
                     1);
    std::vector<std::string> commands;
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) {
        if (message.to == "rig")
            commands.push_back(std::to_string(message.due.time_since_epoch().count()) + " " +
                               std::string(message.topic) + " " + message.payload);
        return std::size_t{1};
    });
    for (int jump = 0; jump < 6; ++jump) {
        rig.run_for(17min);
        if (clock_jumps) rig.jump_wall_clock(jump % 2 == 0 ? -87600h : 87624h);
        rig.run_for(17min);
        rig.kill_daemon();
        rig.run_for(3s);
        rig.start_daemon();
    }
    CHECK(rig.truth().trips.empty());
    return commands;
}

}  // namespace

TEST_CASE("wherever the wall clock jumps, the same commands go out at the same instants") {
    const auto commands = commands_of_an_afternoon(true);
    CHECK(commands.size() > 20);
    CHECK(commands == commands_of_an_afternoon(false));
}
