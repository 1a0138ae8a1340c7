// Everything the Marshal is ever told. Each event carries its own instant; events come in the order of their
// instants. The adapters have already thrown away what is not a plausible number.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <variant>

#include "rules/legs.h"
#include "rules/time.h"

namespace ampmarshal::rules {

using LoadIndex = std::size_t;    ///< position in the rig's list of loads
using SourceIndex = std::size_t;  ///< position in the rig's list of sources

/// One reading of one leg, or of a load that has a meter of its own. `peak_a` is the highest current since
/// the reading before, where the meter keeps it.
struct MeterSample {
    Instant at;
    Leg leg;
    double current_a;
    std::optional<double> peak_a{};
    std::optional<double> voltage_v{};
    std::optional<double> frequency_hz{};
    std::optional<LoadIndex> load{};  ///< all that the meter watches; nothing: the whole leg
};

/// Somebody (a thermostat, a rule controller, a person) wants the load to run, or no longer does.
struct DemandChanged {
    Instant at;
    LoadIndex load;
    bool wanted;
};

/// What a switch says of itself. `age_known` is false for a retained message: it may be from last week, so an
/// "off" proves nothing, but an "on" is a warning.
struct SwitchFeedback {
    Instant at;
    LoadIndex load;
    bool on;
    bool age_known;
};

/// The rig is plugged into another source, or into nothing that is known.
struct SourceChanged {
    Instant at;
    std::optional<SourceIndex> source;
};

enum class Request {
    hold,         ///< keep the load off until released
    release,      ///< end a hold
    acknowledge,  ///< a person has looked at a locked-out load: let it run again
    prefer,       ///< let the load go before all ranks, until a time
    forget,       ///< forget what its starts have taught, after a repair or with a soft starter fitted
};

struct OperatorRequest {
    Instant at;
    LoadIndex load;
    Request request;
    Instant until{};  ///< of a preference; one that has passed ends it
};

/// Why a load stays off until a person acknowledges.
enum class Lockout : std::uint8_t { none, stall, disobedience, neutral };

/// A load was locked out in an earlier life of the program, and no person has looked since.
struct LockoutRecalled {
    Instant at;
    LoadIndex load;
    Lockout why;
};

/// A person wants everything off that can be switched off, or lets it go on.
struct StopEverything {
    Instant at;
    bool stop;
};

/// The connection to the switches went down or came back. Nothing is granted while it is down.
struct LinkChanged {
    Instant at;
    bool up;
};

/// The state of charge of the battery that an inverter lives on.
struct BatteryCharge {
    Instant at;
    double percent;
};

/// Time passes. Send one at least every quarter of a second.
struct Tick {
    Instant at;
};

using Event = std::variant<MeterSample, DemandChanged, SwitchFeedback, SourceChanged, OperatorRequest,
                           LockoutRecalled, StopEverything, LinkChanged, BatteryCharge, Tick>;

}  // namespace ampmarshal::rules
