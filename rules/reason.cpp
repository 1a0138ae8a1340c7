#include "rules/reason.h"

#include <array>
#include <charconv>
#include <cmath>

#include "rules/marshal.h"

namespace ampmarshal::rules {

namespace {

std::string decimal(double value, int digits) {
    std::array<char, 320> text{};  // holds even the largest there is
    char* const begin = text.data();
    return {begin, std::to_chars(begin, begin + text.size(), value, std::chars_format::fixed, digits).ptr};
}

std::string amperes(double current_a) {
    return decimal(current_a, 1) + " A";
}

std::string volts(double line_v) {
    return decimal(line_v, 0) + " V";
}

/// " for another 3 min"; nothing if there is no end, or it has passed. Coarse on purpose: a countdown that
/// changes every second is noise on a phone.
std::string wait(std::optional<Instant> until, Instant now) {
    if (!until || *until <= now) return {};
    const double left_s = seconds(*until - now);
    if (left_s > 60) return " for another " + decimal(std::ceil(left_s / 60), 0) + " min";
    return " for another " + decimal(left_s > 10 ? 10 * std::ceil(left_s / 10) : 10.0, 0) + " s";
}

struct Names {
    const Reason& reason;
    const Rig& rig;
    std::optional<SourceIndex> source;

    std::string limit() const {
        if (!source || !reason.limit || *reason.limit >= rig.sources[*source].limits.size())
            return "the source";
        return rig.sources[*source].limits[*reason.limit].name;
    }
    std::string leg() const { return reason.leg ? name(*reason.leg) : "the line"; }
    std::string other() const { return reason.other ? rig.loads[*reason.other].name : "another load"; }
    std::string allows() const { return limit() + " allows " + amperes(reason.available_a); }
};

std::string why_shed(const Names& n) {
    switch (n.reason.kind) {
        case ReasonKind::shed_ceiling:
            return "shed: " + amperes(n.reason.needed_a) + " is over the ceiling of " + n.limit();
        case ReasonKind::shed_heat:
            return "shed: " + n.limit() + " would trip soon at " + amperes(n.reason.needed_a);
        case ReasonKind::shed_steady:
            return "shed: " + amperes(n.reason.needed_a) + " is more than " + n.limit() +
                   " should carry for long (" + amperes(n.reason.available_a) + ")";
        case ReasonKind::shed_worst_case:
            return "taken back: with all that may start it could come to " + amperes(n.reason.needed_a) +
                   ", and " + n.allows();
        case ReasonKind::shed_for_rank: return "shed to make room for " + n.other();
        case ReasonKind::shed_unused: return "did not use its permit for a while, gave it to " + n.other();
        case ReasonKind::shed_for_turn: return "its turn is over, " + n.other() + " runs";
        case ReasonKind::shed_start_lost: return "shed: a start did not settle and this load may be the one";
        case ReasonKind::shed_voltage: return "shed: " + n.leg() + " is down to " + volts(n.reason.line_v);
        case ReasonKind::shed_frequency: return "shed: the generator is bogging down";
        default: return "shed";
    }
}

std::string why_waiting(const Names& n) {
    switch (n.reason.kind) {
        case ReasonKind::rests: return "rests before its next start";
        case ReasonKind::recovers: return "waits to be seen off";
        case ReasonKind::another_start: return "waits while " + n.other() + " starts";
        case ReasonKind::waits_for_turn: return "waits for its turn while " + n.other() + " has the room";
        case ReasonKind::current_moves: return "waits until the current has settled";
        case ReasonKind::start_over_ceiling:
            return "its start could bring the current to " + amperes(n.reason.needed_a) + ", and " +
                   n.allows() + " for a start";
        case ReasonKind::start_too_hot:
            return "its start would warm the trip too far: " + amperes(n.reason.needed_a) + " needed, and " +
                   n.allows() + " for so long";
        case ReasonKind::steady_full:
            return "running it would come to " + amperes(n.reason.needed_a) + ", and " + n.allows() +
                   " to stay on";
        case ReasonKind::voltage_too_low:
            return "its start would pull " + n.leg() + " down to " + volts(n.reason.line_v) +
                   ", and at least " + volts(n.reason.minimum_v) + " should stay";
        case ReasonKind::makes_room: return "waits for " + n.other() + " to make room";
        case ReasonKind::did_not_start: return "was switched on and nothing came; tried again later";
        default: return "waits";
    }
}

}  // namespace

std::string sentence(const Reason& reason, const Rig& rig, std::optional<SourceIndex> source, Instant now) {
    const Names names{reason, rig, source};
    switch (reason.kind) {
        case ReasonKind::none: return "";
        case ReasonKind::not_wanted: return "not asked to run";
        case ReasonKind::held_by_person: return "held off by a person";
        case ReasonKind::stopped_by_person: return "off: a person has stopped everything";
        case ReasonKind::locked_out_stall:
            return "locked out: its start did not settle; have it looked at, then acknowledge";
        case ReasonKind::locked_out_disobedience:
            return "locked out: it was told to stop and did not; have its switch looked at, then acknowledge";
        case ReasonKind::locked_out_neutral:
            return "locked out: the neutral may be open; have the supply looked at, then acknowledge";
        case ReasonKind::waits_for_battery: return "waits until the battery's charge is heard";
        case ReasonKind::battery_low: return "waits until the battery is charged again";
        case ReasonKind::waits_for_source: return "waits until the source is known";
        case ReasonKind::waits_for_meter: return "waits until the meters are heard";
        case ReasonKind::waits_for_switch: return "waits until its switch is heard";
        case ReasonKind::waits_for_link: return "waits for the connection to the broker";
        case ReasonKind::observing_only: return "would be granted; only observing";
        case ReasonKind::not_served: return "needs 240 V, which this source does not have";
        case ReasonKind::supply_lost: return "the supply is gone; waits until it is back";
        case ReasonKind::fits: return "may run: its start fits";
        case ReasonKind::turned_down:
            if (reason.other) return "turned down to make room for " + names.other();
            return "turned down: it could come to " + amperes(reason.needed_a) + ", and " + names.allows();
        case ReasonKind::turned_up: return "turned up again: there is room";
        case ReasonKind::shed_ceiling:
        case ReasonKind::shed_heat:
        case ReasonKind::shed_steady:
        case ReasonKind::shed_worst_case:
        case ReasonKind::shed_for_rank:
        case ReasonKind::shed_unused:
        case ReasonKind::shed_for_turn:
        case ReasonKind::shed_voltage:
        case ReasonKind::shed_frequency:
        case ReasonKind::shed_start_lost: return why_shed(names) + wait(reason.until, now);
        default: return why_waiting(names) + wait(reason.until, now);
    }
}

const char* word(ReasonKind kind) {
    switch (kind) {
        case ReasonKind::none: return "none";
        case ReasonKind::not_wanted: return "not_wanted";
        case ReasonKind::held_by_person: return "held_by_person";
        case ReasonKind::stopped_by_person: return "stopped_by_person";
        case ReasonKind::locked_out_stall: return "locked_out_stall";
        case ReasonKind::locked_out_disobedience: return "locked_out_disobedience";
        case ReasonKind::locked_out_neutral: return "locked_out_neutral";
        case ReasonKind::waits_for_battery: return "waits_for_battery";
        case ReasonKind::voltage_too_low: return "voltage_too_low";
        case ReasonKind::battery_low: return "battery_low";
        case ReasonKind::shed_voltage: return "shed_voltage";
        case ReasonKind::shed_frequency: return "shed_frequency";
        case ReasonKind::waits_for_source: return "waits_for_source";
        case ReasonKind::waits_for_meter: return "waits_for_meter";
        case ReasonKind::waits_for_switch: return "waits_for_switch";
        case ReasonKind::waits_for_link: return "waits_for_link";
        case ReasonKind::observing_only: return "observing_only";
        case ReasonKind::not_served: return "not_served";
        case ReasonKind::rests: return "rests";
        case ReasonKind::recovers: return "recovers";
        case ReasonKind::another_start: return "another_start";
        case ReasonKind::waits_for_turn: return "waits_for_turn";
        case ReasonKind::current_moves: return "current_moves";
        case ReasonKind::start_over_ceiling: return "start_over_ceiling";
        case ReasonKind::start_too_hot: return "start_too_hot";
        case ReasonKind::steady_full: return "steady_full";
        case ReasonKind::makes_room: return "makes_room";
        case ReasonKind::did_not_start: return "did_not_start";
        case ReasonKind::fits: return "fits";
        case ReasonKind::turned_down: return "turned_down";
        case ReasonKind::turned_up: return "turned_up";
        case ReasonKind::shed_ceiling: return "shed_ceiling";
        case ReasonKind::shed_heat: return "shed_heat";
        case ReasonKind::shed_steady: return "shed_steady";
        case ReasonKind::shed_worst_case: return "shed_worst_case";
        case ReasonKind::shed_for_rank: return "shed_for_rank";
        case ReasonKind::shed_unused: return "shed_unused";
        case ReasonKind::shed_for_turn: return "shed_for_turn";
        case ReasonKind::shed_start_lost: return "shed_start_lost";
        case ReasonKind::supply_lost: return "supply_lost";
    }
    return "none";
}

const char* word(AlertKind kind) {
    switch (kind) {
        case AlertKind::overload: return "overload";
        case AlertKind::trip_nears: return "trip_nears";
        case AlertKind::start_tight: return "start_tight";
        case AlertKind::stall: return "stall";
        case AlertKind::disobedience: return "disobedience";
        case AlertKind::not_adjusted: return "not_adjusted";
        case AlertKind::departed: return "departed";
        case AlertKind::meter_silent: return "meter_silent";
        case AlertKind::supply_lost: return "supply_lost";
        case AlertKind::did_not_start: return "did_not_start";
        case AlertKind::low_voltage: return "low_voltage";
        case AlertKind::high_voltage: return "high_voltage";
        case AlertKind::low_frequency: return "low_frequency";
        case AlertKind::open_neutral: return "open_neutral";
        case AlertKind::battery_low: return "battery_low";
    }
    return "overload";
}

const char* word(LoadState state) {
    switch (state) {
        case LoadState::running: return "running";
        case LoadState::starting: return "starting";
        case LoadState::permitted: return "permitted";
        case LoadState::waiting: return "waiting";
        case LoadState::resting: return "resting";
        case LoadState::shed: return "shed";
        case LoadState::off: return "off";
        case LoadState::locked_out: return "locked_out";
    }
    return "off";
}

}  // namespace ampmarshal::rules
