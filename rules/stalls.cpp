// A start that fails, or may. While a leg is up, how long may that be a start, and from when on is it a rotor
// that does not turn? Who is named for one is told off and locked out, for a while at first. Here is also
// what becomes of a load that was let start and did not.
#include <algorithm>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr double run_up_share = 1.5;   ///< a start that is over draws less than its peak by more than this,
constexpr double flat_share = 1.2;     ///< and a rotor that is locked, alone, by hardly more than this;
                                       ///< nor is it this much above the peak of its load
constexpr double nothing_share = 0.1;  ///< of its running current: who draws less has not started
constexpr Duration try_again_after = 5min;

}  // namespace

/// What the rest of its start could come to.
bool Marshal::Core::may_start_to(LoadIndex i, Leg leg, double excess_a) const {
    return loads[i].legs.contains(leg) && standing(i) &&
           healthy_peak(excess_a, loads[i].start_a(tracks[i].settled));
}

/// Does it look like a rotor that is locked? Where the start is hardly more than what runs, nothing tells.
bool Marshal::Core::may_stall_at(LoadIndex i, Leg leg, double excess_a) const {
    const Load& load = loads[i];
    const double peak_a = load.start_a(tracks[i].settled);
    const double run_a = run_between(load, tracks[i].settled, load.stages.size());
    return may_start_to(i, leg, excess_a) && peak_a >= 1.5 * run_a &&
           excess_a >= run_a + 0.5 * (peak_a - run_a);
}

/// The same of one that has settled so: a rotor that is locked draws on what it began with.
bool Marshal::Core::may_be_locked(LoadIndex i, double excess_a, const Step& step) const {
    const bool ran_up = step.peak_a - step.baseline_a >= run_up_share * step.rise_a();
    return !ran_up && may_stall_at(i, loads[i].legs.first(), excess_a);
}

Duration Marshal::Core::stall_after(LoadIndex i, Leg leg) const {
    return loads[i].start_window() + 2 * rig.timing.meter_period[leg];
}

/// How long a current so far above the level may stand before it is more than the start of a load. Two
/// readings of a slow meter that agree are further apart than a start is long; only of a rotor that may be
/// locked one more is waited for.
Duration Marshal::Core::hold_open(Leg leg, double excess_a) const {
    const Duration apart = std::min(2 * rig.timing.meter_period[leg], slow_for_starts);
    Duration longest{};
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        if (may_stall_at(i, leg, excess_a))
            longest = std::max(longest, stall_after(i, leg));
        else if (may_start_to(i, leg, excess_a))
            longest = std::max(longest, loads[i].start_window() + apart);
    }
    return longest;
}

bool Marshal::Core::explains(Leg leg) const {
    const LegWatch& watch = legs[leg].watch;
    if (!watch.rising()) return false;
    const double excess_a = watch.now_a() - watch.level_a();
    Duration longest{};
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (may_start_to(i, leg, excess_a)) longest = std::max(longest, stall_after(i, leg));
    // A movement that outlives its window explains nothing.
    return longest > Duration::zero() && now - watch.began() <= longest + 3 * rig.timing.meter_period[leg];
}

void Marshal::Core::check_stall(Leg leg, double excess_a, Instant began) {
    const LegWatch& watch = legs[leg].watch;
    // Something smaller may have started before it, in the same movement.
    const Duration lasted = now - watch.so_high_since();
    Hypotheses healthy;
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const Track& track = tracks[i];
        if (!loads[i].legs.contains(leg)) continue;
        if (slow(leg)) add_falls(healthy, i);
        if (!standing(i)) continue;
        // One that was just switched on may have tapered off, and draw no more than this.
        if (track.stage_due && may_taper_to(i, excess_a)) return;
        // A fan that was lost in the noise, or not told from another's, may run already.
        for (std::size_t settled = track.settled; settled < loads[i].stages.size(); ++settled)
            healthy.add_rises(usual(i), i, settled, track.stage_due.has_value(),
                              watch.peak_a() - watch.level_a(), false);
    }
    // A rotor that is locked draws on what it began with.
    const double before_a = watch.moving() ? watch.level_a() : watch.level_a() - excess_a;
    const double peak_a = watch.peak_a() - before_a;
    if (peak_a >= run_up_share * excess_a) return;
    if (healthy.any_match(excess_a)) return;
    if (healthy.two_make(excess_a, slow(leg))) return;
    std::optional<LoadIndex> only;
    int suspects = 0;
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        if (!loads[i].controlled() || !may_stall_at(i, leg, excess_a) || unmoved(i, began)) continue;
        if (lasted < stall_after(i, leg)) continue;
        ++suspects;
        only = i;
    }
    // Of one whose fan may have been another's, the compressor may be, too; and what has come down from a
    // peak, even if it rose again, or comes to as much as two that run, may be several healthy starts.
    const bool flat = std::max(peak_a, excess_a + watch.fell_back_a()) <= flat_share * excess_a;
    // Nor is it one rotor that draws more than its peak: a start may with the moment it comes at in the
    // mains wave, what stays locked does not.
    const bool named = suspects == 1 && (tracks[*only].settled == 0 || tracks[*only].sure) && flat &&
                       excess_a <= flat_share * loads[*only].start_a(tracks[*only].settled) &&
                       !healthy.two_make(excess_a, true) && !healthy.three_make(excess_a, *only);
    if (named) {
        stall(*only, excess_a);
    } else if (suspects > 0) {
        for (LoadIndex i = 0; i < loads.size(); ++i)
            if (loads[i].legs.contains(leg) && can_shed(i) && standing(i) && loads[i].starts_hard() &&
                !unmoved(i, began))
                switch_off(i, {.kind = ReasonKind::shed_start_lost, .needed_a = excess_a});
    }
}

void Marshal::Core::stall(LoadIndex i, double excess_a) {
    Track& track = tracks[i];
    Reason why{.kind = ReasonKind::locked_out_stall, .needed_a = excess_a};
    if (track.stalls++ < loads[i].stall_retries)
        why.until = now + std::max(loads[i].minimum_off, try_again_after);
    track.drawn_a += excess_a;  // it flows, and is what the switch-off must take away
    switch_off(i, why);
    track.lockout = Lockout::stall;
    track.not_before = why.until;
    raise(AlertKind::stall, i, why);
}

/// Its lockout ends by itself as often as it may be tried again; the alert stays until it has started.
void Marshal::Core::retry_stalled() {
    for (Track& track : tracks) {
        if (track.lockout != Lockout::stall || !track.not_before || now < *track.not_before) continue;
        track.lockout = Lockout::none;
        track.not_before.reset();
    }
}

void Marshal::Core::check_due() {
    for (LoadIndex i = 0; i < tracks.size(); ++i) {
        Track& track = tracks[i];
        const Load& load = loads[i];
        const Leg leg = load.legs.first();
        if (track.rises_until && now >= *track.rises_until) {
            track.drawn_a = setting_a(i);
            track.rises_until.reset();
        }
        if (!track.stage_due || now < *track.stage_due || legs[leg].watch.moving() || silent(leg)) continue;
        track.stage_due.reset();
        doubt_who_hid(i);
        if (load.control != Control::switched || track.settled > 0) continue;
        // A switched load should have started. If the leg has risen by about as much, it did, unrecognised.
        // One that was found on started long ago.
        const double rise_a = tells_itself(i) ? own[i]->watch.now_a()
                                              : std::min(legs[leg].watch.now_a() - track.granted_at_a[leg],
                                                         uncontrolled_a()[leg]);
        if (rise_a >= (1 - wide_match_share) * load.running_a()) {
            track.settled = load.stages.size();
            track.drawn_a = std::min(rise_a, load.running_a());
            track.sure = tells_itself(i);
            continue;
        }
        // A charger that has tapered off draws little, and yet it is on; it may still start. But not on the
        // word of a meter that says the very same as before: it may be frozen, and the load draw all it can.
        const double least_a = std::max(nothing_share * load.running_a(), legs[leg].watch.least_step_a());
        if (!load.reports_switch && rise_a >= least_a) continue;
        if (track.reported == true && legs[leg].watch.now_a() != track.granted_at_a[leg]) continue;
        const Reason why{.kind = ReasonKind::did_not_start, .until = now + try_again_after};
        switch_off(i, why);
        track.not_before = why.until;
        track.shed = false;
        raise(AlertKind::did_not_start, i, why);
    }
}

}  // namespace ampmarshal::rules
