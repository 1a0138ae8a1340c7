// The Marshal decides which loads may run. It takes one event at a time and returns the actions that follow;
// it does no input or output, reads no clock and keeps no threads, so the same events always give the same
// actions.
//
// At every moment it keeps one thing true, for every limit of the present source:
//
//     what the meters read now
//     + the start of every load that could start by itself from now on
//     must fit the source.
//
// See docs/decisions.md for the idea, standing.h for "fits", starts.cpp for "a start was seen and has
// settled". One thread; not copyable, since it owns the history of the thermal images.
#pragma once

#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "rules/action.h"
#include "rules/event.h"
#include "rules/learned_starts.h"
#include "rules/load.h"
#include "rules/source.h"

namespace ampmarshal::rules {

/// How fast the rig is: used to know how long an overload lasts before a shed takes effect.
struct Timing {
    PerLeg<Duration> meter_period{};  ///< time between two readings of a leg
    PerLeg<Duration> stale_after{};   ///< a leg that is silent for longer is not known any more
    Duration decision{};              ///< from a reading to the command on the wire, at most
    Duration steady_grace{};          ///< how long the steady limit may be exceeded before loads are shed
    Duration restore_after{};         ///< a shed load waits at least this long before it may come back
    Duration dwell{};  ///< the same two loads never swap twice within this; also the length of a turn, and
                       ///< how long a permit may lie unused while another load waits
    int starts_at_once = 1;  ///< motor starts in flight at the same time
};

/// Everything that is configured, and nothing that changes.
struct Rig {
    std::string name;
    LegSet legs;
    std::vector<Source> sources;
    std::vector<Load> loads;
    Timing timing;
    double nominal_hz = 60;
    /// A motor is not started where the line would sag below this, and loads are shed where it stays below.
    /// By default a 115 V motor less 10 % (NEMA MG 1, 12.44); in proportion for another nominal voltage.
    double start_minimum_v = 103.5;
    bool observing = false;  ///< decide and tell, but count on nothing being carried out
};

/// In order of how far the load is from running.
enum class LoadState : std::uint8_t {
    running,     ///< settled: all its current is in the meter's reading
    starting,    ///< its start is in flight
    permitted,   ///< may start by itself at any time; its start is reserved
    waiting,     ///< wanted, not granted yet; the reason says why
    resting,     ///< wanted, in its minimum off time
    shed,        ///< was running or permitted, taken off, wanted back
    off,         ///< not wanted, or held
    locked_out,  ///< stays off until a person acknowledges
};

const char* word(LoadState state);

/// A load as it is now.
struct LoadView {
    LoadState state;
    bool wanted;
    bool held;
    bool commanded_on;
    double drawn_a;                            ///< what it is believed to draw, settled stages only
    const Reason& reason;                      ///< the Marshal's own: until the next event
    std::optional<double> setting_a{};         ///< of an adjustable load
    std::optional<Instant> preferred_until{};  ///< it goes before all ranks
    Lockout lockout = Lockout::none;
};

/// What is known of one limit of the present source.
struct LimitView {
    double current_a;          ///< sum over the limit's legs
    double steady_headroom_a;  ///< steady limit less current; negative when exceeded
    double start_headroom_a;   ///< the largest start peak that would fit now, on top of all reservations
    std::optional<Duration> time_to_trip;  ///< at the present current, early edge; nothing if never
};

class Marshal {
  public:
    /// The rig must be valid: the configuration has checked it. `source` is where the rig is plugged in, if
    /// known.
    Marshal(Rig rig, std::optional<SourceIndex> source, Instant now);
    ~Marshal();
    Marshal(const Marshal&) = delete;
    Marshal& operator=(const Marshal&) = delete;

    /// Decides. The span is valid until the next call. No allocation for meter samples and ticks once warmed
    /// up.
    std::span<const Action> on(const Event& event);

    /// Goes on where the Marshal of another configuration stands: what runs, rests and draws, and how warm
    /// the sources are. `heirs` and `sources` name, for each load and source of `before`, what it has become
    /// here, if anything. Before the first event only. What people have set, and lockouts, come as events.
    void succeed(const Marshal& before, std::span<const std::optional<LoadIndex>> heirs,
                 std::span<const std::optional<SourceIndex>> sources);
    /// Takes back what a stage's starts had taught. What is wrong with it, if it cannot be true.
    std::optional<std::string> recall(LoadIndex load, std::size_t stage, const StageProfile::Memory& kept);

    const Rig& rig() const;
    std::optional<SourceIndex> source() const;
    LoadView load(LoadIndex load) const;
    bool everything_stopped() const;
    const StageProfile& profile(LoadIndex load, std::size_t stage) const;
    std::vector<LimitView> limits() const;           ///< of the present source, in its order
    std::optional<double> current_a(Leg leg) const;  ///< nothing while the leg's meter is silent
    std::optional<double> voltage_v(Leg leg) const;
    std::optional<double> impedance_ohm(Leg leg) const;  ///< of the present source; nothing until it is known

  private:
    struct Core;
    std::unique_ptr<Core> core_;
};

}  // namespace ampmarshal::rules
