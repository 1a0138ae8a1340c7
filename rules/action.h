// Everything the Marshal ever asks for. The daemon carries actions out in order; it never adds any of its
// own.
#pragma once

#include <cstdint>
#include <optional>
#include <variant>

#include "rules/event.h"
#include "rules/learned_starts.h"
#include "rules/reason.h"

namespace ampmarshal::rules {

/// Close or open a load's contact: for a switched load that starts or stops it, for a permitted one it allows
/// or forbids it to start. `changes` is false when only a switch of unknown state is told again what it
/// should be.
struct Switch {
    LoadIndex load;
    bool on;
    Reason reason;
    bool changes = true;
};

/// Set an adjustable load to draw at most `setting_a` while it is on. `changes` as with a Switch.
struct Adjust {
    LoadIndex load;
    double setting_a;
    Reason reason;
    bool changes = true;
};

enum class AlertKind : std::uint8_t {
    overload,      ///< the source is over a limit and nothing more can be shed
    trip_nears,    ///< at the present current a limit trips soon
    start_tight,   ///< a start that may come takes most of what the generator can start
    stall,         ///< a start did not settle
    disobedience,  ///< told to stop, and its current stays
    not_adjusted,  ///< turned down, and its current stays
    departed,      ///< a load's starts have departed from their own past
    meter_silent,
    supply_lost,
    did_not_start,
    low_voltage,
    high_voltage,
    low_frequency,  ///< the generator bogs down
    open_neutral,   ///< the legs of a two-leg source move apart
    battery_low,
};

/// Alerts are about the whole rig or, where `load` is set, about one load. Raised once, cleared once.
struct AlertRaised {
    AlertKind kind;
    std::optional<LoadIndex> load{};
    Reason reason{};
    std::optional<Departure> departure{};  ///< of `stage`, where that is what the alert is about
    std::size_t stage = 0;
};

struct AlertCleared {
    AlertKind kind;
    std::optional<LoadIndex> load{};
};

/// A start was seen and has settled (or has not): what the meter saw of it.
struct StartSeen {
    LoadIndex load;
    std::size_t stage;
    double baseline_a;
    double peak_a;
    double running_a;
    Duration lasted;
};

/// The load's state, demand, hold or reason is new: publish it.
struct LoadChanged {
    LoadIndex load;
};

using Action = std::variant<Switch, Adjust, AlertRaised, AlertCleared, StartSeen, LoadChanged>;

/// A short, stable word for programs: "stall", "trip_nears", ...
const char* word(AlertKind kind);

}  // namespace ampmarshal::rules
