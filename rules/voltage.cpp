// The line itself: is the supply there, does its voltage stay where motors can start, does the generator keep
// its speed, do the two legs of a 120/240 V supply stay together.
#include <algorithm>
#include <cmath>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr double dead_share = 0.5;    ///< below this share of nominal voltage the supply is gone
constexpr double alive_share = 0.85;  ///< and above this it is back
constexpr double quiet_follows = 0.1;

constexpr Duration low_for = 5s;                 ///< a start's own sag is over long before
constexpr double all_clear_v = 2;                ///< above the minimum
constexpr double high_share = 127.0 / 120;       ///< ANSI C84.1, range B, upper end of service voltage
constexpr double high_gone_share = 126.0 / 120;  ///< range A
constexpr double bogging_share = 0.95;           ///< NEMA MG 1, 12.44: a motor stands 5 % of its frequency
constexpr double bogging_gone_share = 0.97;
constexpr Duration bogging_for = 3s;

constexpr double apart_share = 0.10;  ///< the legs differ by more than this share of nominal ...
constexpr double sum_share = 0.05;    ///< ... while their sum stays within this: the neutral is open
constexpr Duration apart_for = 1s;

/// Raised by any leg, over only when every leg says so.
struct LineAlarm {
    AlertKind kind;
    bool on = false;
    bool over = true;

    void note(const Persistence& wrong, Duration needed, bool well_again) {
        on |= wrong.reached(needed);
        over &= well_again && wrong.gone();
    }
};

}  // namespace

/// Before the current is looked at: the voltage while it is quiet, and at the extreme of a movement.
void Marshal::Core::note_line(const MeterSample& event, bool was_moving) {
    LegBooks& books = legs[event.leg];
    books.frequency_hz = event.frequency_hz;
    if (!event.voltage_v) return;
    books.voltage_v = event.voltage_v;
    const double excess_a = event.current_a - books.watch.level_a();
    if (std::abs(excess_a) <= books.watch.least_step_a() && !was_moving) {
        books.quiet_v =
            books.quiet_v.value_or(*event.voltage_v) * (1 - quiet_follows) + *event.voltage_v * quiet_follows;
        books.extreme_a = 0;
        return;
    }
    if (excess_a <= books.extreme_a) return;
    books.extreme_a = excess_a;
    books.extreme_v = *event.voltage_v;
}

/// Each step of the current moves the voltage; what a start pulls it down to teaches most.
void Marshal::Core::learn_impedance(Leg leg, const LegWatch::Steps& steps) {
    LegBooks& books = legs[leg];
    if (!steps.first || !books.quiet_v || !books.voltage_v) return;
    if (!steps.second) books.impedance.add(steps.first->rise_a(), *books.voltage_v - *books.quiet_v);
    if (books.extreme_a > 2 * std::abs(steps.first->rise_a()))
        books.impedance.add(books.extreme_a, books.extreme_v - *books.quiet_v);
    books.quiet_v = books.voltage_v;
    books.extreme_a = 0;
}

void Marshal::Core::check_supply(Leg leg) {
    LegBooks& books = legs[leg];
    const Source* s = source();
    if (!books.voltage_v || !s) return;
    if (!books.dead && *books.voltage_v < dead_share * s->nominal_v) {
        books.dead = true;
        rest_everything();
        raise(AlertKind::supply_lost, std::nullopt, {.kind = ReasonKind::supply_lost});
    } else if (books.dead && *books.voltage_v >= alive_share * s->nominal_v) {
        books.dead = false;
        books.back_at = now;
        books.impedance = SourceImpedance{};  // it may have been a cord that was pulled
        rest_everything();
        // What was told to stop meanwhile had nothing to show whether it had heard.
        tell_off_again(Duration::zero());
        if (!any_dead()) clear(AlertKind::supply_lost, std::nullopt);
    }
}

/// What keeps a motor from being started for the sake of the voltage, at the standing worst case and once
/// what the prospect has taken off has stopped.
std::optional<Reason> Marshal::Core::sags_too_low(LoadIndex i, const Prospect& p) const {
    const Load& load = loads[i];
    if (!load.starts_hard()) return std::nullopt;
    for (Leg leg : all_legs) {
        const LegBooks& books = legs[leg];
        if (!load.legs.contains(leg) || !books.voltage_v) continue;
        const double added_a =
            std::max(0.0, p.base_a[leg] - books.watch.now_a() + p.peak_a[leg] + load.start_a(0));
        const double foreseen_v =
            books.impedance.predicted_v(*books.voltage_v, added_a).value_or(*books.voltage_v);
        if (foreseen_v >= rig.start_minimum_v) continue;
        return Reason{.kind = ReasonKind::voltage_too_low,
                      .leg = leg,
                      .line_v = foreseen_v,
                      .minimum_v = rig.start_minimum_v};
    }
    return std::nullopt;
}

/// Takes off the load of lowest rank that draws on this leg.
bool Marshal::Core::shed_last_on(Leg leg, const Reason& why) {
    for (auto i = by_rank.rbegin(); i != by_rank.rend(); ++i) {
        if (!can_shed(*i) || tracks[*i].drawn_a <= 0 || !loads[*i].legs.contains(leg)) continue;
        switch_off(*i, why);
        return true;
    }
    return false;
}

/// No alarm of the line begins here, and one that is on ends.
bool Marshal::Core::well_v(double line_v) const {
    return line_v >= rig.start_minimum_v + all_clear_v && line_v <= high_gone_share * source()->nominal_v;
}

bool Marshal::Core::well_hz(std::optional<double> hz) const {
    return !hz || *hz >= bogging_gone_share * rig.nominal_hz;
}

void Marshal::Core::check_line(Duration passed) {
    const Source* s = source();
    if (!s || any_dead()) return;
    LineAlarm low{AlertKind::low_voltage};
    LineAlarm high{AlertKind::high_voltage};
    LineAlarm bogging{AlertKind::low_frequency};
    for (Leg leg : all_legs) {
        LegBooks& books = legs[leg];
        if (!rig.legs.contains(leg) || silent(leg)) continue;
        const double line_v = books.voltage_v.value_or(s->nominal_v);
        const double hz = books.frequency_hz.value_or(rig.nominal_hz);
        books.low_voltage.note(line_v < rig.start_minimum_v, passed);
        books.high_voltage.note(line_v > high_share * s->nominal_v, passed);
        books.low_frequency.note(hz < bogging_share * rig.nominal_hz, passed);
        low.note(books.low_voltage, low_for, line_v >= rig.start_minimum_v + all_clear_v);
        high.note(books.high_voltage, low_for, line_v <= high_gone_share * s->nominal_v);
        bogging.note(books.low_frequency, bogging_for, hz >= bogging_gone_share * rig.nominal_hz);
        relieve(leg, line_v);
    }
    for (const LineAlarm& alarm : {low, high, bogging}) {
        if (alarm.on)
            raise(alarm.kind, std::nullopt);
        else if (alarm.over)
            clear(alarm.kind, std::nullopt);
    }
    check_neutral(passed);
}

/// One load at a time, then a fresh look: each that goes lifts the line.
void Marshal::Core::relieve(Leg leg, double line_v) {
    LegBooks& books = legs[leg];
    if (!link_up) return;
    const Reason sagging{
        .kind = ReasonKind::shed_voltage, .leg = leg, .line_v = line_v, .minimum_v = rig.start_minimum_v};
    if (books.low_voltage.reached(low_for) && shed_last_on(leg, sagging)) books.low_voltage.reset();
    const Reason bogging{.kind = ReasonKind::shed_frequency, .leg = leg};
    if (books.low_frequency.reached(bogging_for) && shed_last_on(leg, bogging)) books.low_frequency.reset();
}

/// How far the legs are apart, beyond what the lower one sags by as it carries more. Without a neutral the
/// same current flows through both, which excuses nothing; nor does it where one leg is higher than a supply
/// may be.
double Marshal::Core::apart_v(double l1_v, double l2_v) const {
    const Leg low = l1_v < l2_v ? Leg::l1 : Leg::l2;
    const double all_v = std::abs(l1_v - l2_v);
    if (std::max(l1_v, l2_v) > high_share * source()->nominal_v) return all_v;
    const double more_a = legs[low].watch.now_a() - legs[other_than(low)].watch.now_a();
    return all_v - legs[low].impedance.ohm().value_or(0) * std::max(0.0, more_a);
}

/// Without a neutral the two legs share 240 V by the loads on them: one sinks while the other rises, and what
/// hangs on the high one burns. Nothing on one leg may stay on, until a person has had a look.
void Marshal::Core::check_neutral(Duration passed) {
    const auto& l1 = legs[Leg::l1];
    const auto& l2 = legs[Leg::l2];
    const double nominal_v = source()->nominal_v;
    if (source()->feed != Feed::two_legs || any_silent() || !l1.voltage_v || !l2.voltage_v) return;
    const bool apart = apart_v(*l1.voltage_v, *l2.voltage_v) > apart_share * nominal_v;
    const bool sum_holds =
        std::abs(*l1.voltage_v + *l2.voltage_v - 2 * nominal_v) <= sum_share * 2 * nominal_v;
    legs_apart.note(apart && sum_holds, passed);
    if (!legs_apart.reached(apart_for)) return;
    for (LoadIndex i : by_rank) {
        if (loads[i].legs.count() != 1 || tracks[i].lockout != Lockout::none) continue;
        if (can_shed(i) && link_up) switch_off(i, {.kind = ReasonKind::locked_out_neutral});
        tracks[i].lockout = Lockout::neutral;
    }
    raise(AlertKind::open_neutral, std::nullopt, {.kind = ReasonKind::locked_out_neutral});
}

}  // namespace ampmarshal::rules
