// Why a load is where it is. Every decision carries a Reason: a kind and the few numbers behind it.
// `sentence` makes of it what a person reads on the phone; programs use the kind.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "rules/event.h"
#include "rules/time.h"

namespace ampmarshal::rules {

struct Rig;

enum class ReasonKind : std::uint8_t {
    none,
    // It is not asked to run, or may not.
    not_wanted,
    held_by_person,
    stopped_by_person,        ///< everything is
    locked_out_stall,         ///< cleared by an acknowledge request
    locked_out_disobedience,  ///< cleared by an acknowledge request
    locked_out_neutral,       ///< cleared by an acknowledge request
    // It waits for something to be known.
    waits_for_source,
    waits_for_meter,
    waits_for_battery,
    waits_for_switch,
    waits_for_link,
    observing_only,
    not_served,  ///< a 240 V load on a source without two legs
    // It waits for room or for time.
    rests,
    recovers,            ///< the delay after a shed before it may come back
    another_start,       ///< a start is under way; one at a time
    current_moves,       ///< the current has not settled since the last change
    start_over_ceiling,  ///< its start, on top of all that may start, would exceed a ceiling
    start_too_hot,       ///< its start would bring a thermal image too close to its trip
    steady_full,         ///< once running, the steady limit would be exceeded
    waits_for_turn,      ///< another load has the room now, and this one gets it back after the dwell
    voltage_too_low,     ///< its start would pull the line below the start minimum
    battery_low,
    makes_room,     ///< another load has been told to stop and the meter has not confirmed it yet
    did_not_start,  ///< it was switched on and nothing came; tried again later
    // Why it was granted.
    fits,
    turned_down,  ///< it runs, set lower so that everything fits
    turned_up,
    // Why it was taken off.
    shed_ceiling,
    shed_heat,
    shed_steady,
    shed_worst_case,  ///< what could start by itself no longer fits
    shed_for_rank,    ///< pushed out by a load of higher rank
    shed_unused,      ///< its permit was not used for a while, and another load can use the room
    shed_for_turn,    ///< its turn is over, another load of its rotation runs now
    shed_start_lost,  ///< several starts could be the one that does not settle
    shed_voltage,     ///< the line voltage has been too low for a while
    shed_frequency,   ///< the generator bogs down
    supply_lost,
};

struct Reason {
    ReasonKind kind = ReasonKind::none;
    std::optional<std::size_t> limit{};  ///< index into the present source's limits
    std::optional<LoadIndex> other{};    ///< the load that is in the way, or that pushed this one out
    double needed_a = 0;                 ///< current the limit would see, or sees
    double available_a = 0;              ///< current the limit allows
    std::optional<Leg> leg{};
    double line_v = 0;               ///< voltage seen or foreseen on that leg
    double minimum_v = 0;            ///< and the least it should be
    std::optional<Instant> until{};  ///< when a wait for time ends

    friend bool operator==(const Reason&, const Reason&) = default;
};

/// A short, stable word for programs: "rests", "start_over_ceiling", ...
const char* word(ReasonKind kind);

/// One sentence for a person, in the rig's own names. `source` is the present one, if known.
std::string sentence(const Reason& reason, const Rig& rig, std::optional<SourceIndex> source, Instant now);

}  // namespace ampmarshal::rules
