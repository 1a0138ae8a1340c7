// What goes wrong around a rig: broken meters and relays, a poor network, a broker or daemon that dies, a
// supply that is not what it was. A Fault is one such spell, with a beginning and an end. Each kind has its
// own rate, and everything follows from the seed.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "adapters/virtual_rig/plan.h"
#include "adapters/virtual_rig/random.h"
#include "tests/support/simulated_rig.h"

namespace ampmarshal::tests {

enum class FaultKind : std::uint8_t {
    // On the way, readings and switch feedback: `amount` is the share of them, or how long they take.
    readings_lost,
    readings_repeated,
    readings_delayed,    ///< all by `amount` seconds
    readings_reordered,  ///< each by up to `amount` seconds, so that they overtake each other
    commands_lost,       ///< `amount` is the share
    commands_repeated,
    broker_gone,
    // `leg` has the meter.
    meter_silent,
    meter_frozen,
    meter_spiking,  ///< `amount` is how many amperes too high
    meter_offset,   ///< `amount` is how many amperes off
    // `load` has the relay.
    relay_stuck_on,
    relay_stuck_off,
    relay_slow,
    feedback_flaps,
    daemon_killed,     ///< and started again at the end
    supply_lost,       ///< and back at the end
    source_swapped,    ///< plugged out, into the next source at the end, as by a person
    source_switched,   ///< into the next source at once, as by a transfer switch
    long_cord,         ///< `amount` is ohms more
    engine_bogs,       ///< `amount` is the share of its ratings that is left
    wall_clock_jumps,  ///< by `amount` seconds
    meters_swapped,    ///< each leg's meter sits on the other leg
    own_meter_silent,  ///< a load's own
    own_meter_frozen,
};
inline constexpr std::size_t fault_kinds = static_cast<std::size_t>(FaultKind::own_meter_frozen) + 1;

const char* word(FaultKind kind);

struct Fault {
    std::size_t number = 0;  ///< among those drawn from the seed
    FaultKind kind{};
    rules::Duration from{};
    rules::Duration to{};
    double amount = 0;
    rules::Leg leg{};
    std::string load{};
};

/// One line for people.
std::string describe(const Fault& fault);

/// The most that a wireless network delays a reading. The owner counts on it in the configuration.
inline constexpr rules::Duration wireless_delay = std::chrono::milliseconds(300);

/// The most that a meter reads too little, as a share of what the source carries for long.
inline constexpr double meter_error = 0.02;

/// Faults in the order of their beginnings. The last ends `calm_after` before `time`. Without a wireless
/// network nothing is lost, late or twice.
std::vector<Fault> draw_faults(std::uint64_t seed, const virtual_rig::RigPlan& plan, bool wireless,
                               rules::Duration time, rules::Duration calm_after);

/// Lets faults happen to a rig: begins and ends them, and meddles with the messages meanwhile.
class Mischief {
  public:
    Mischief(const std::vector<Fault>& faults, SimulatedRig& rig, std::uint64_t seed);

    /// When the next fault begins or ends; the end of time if none does.
    rules::Instant next() const;
    /// Begins and ends what is due now.
    struct Change {
        const Fault* fault;
        bool begins;
    };
    std::vector<Change> work();
    /// How many copies of a message arrive, as the broker asks its meddler.
    std::size_t fate(SimulatedBroker::InTransit& message);

  private:
    void begin(const Fault& fault);
    void end(const Fault& fault);

    SimulatedRig& rig_;
    virtual_rig::Random random_;
    struct Due {
        rules::Instant at;
        const Fault* fault;
        bool begins;
    };
    std::vector<Due> due_;  ///< in order
    std::size_t next_ = 0;
    std::vector<const Fault*> on_the_way_;  ///< under way, of the network
    std::size_t source_ = 0;
};

}  // namespace ampmarshal::tests
