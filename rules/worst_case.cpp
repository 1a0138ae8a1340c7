// The books turned into a Prospect: what flows, what is reserved for starts, what a shed is about to relieve.
#include <algorithm>

#include "rules/core.h"

namespace ampmarshal::rules {

/// What was booked as its last start may have been another's, and this one come yet.
bool Marshal::Core::perhaps_starts(LoadIndex i) const {
    return now < tracks[i].perhaps_due && tracks[i].settled == loads[i].stages.size();
}

/// All the more so where it had no peak, and the meter should have seen one.
bool Marshal::Core::starts_after_all(LoadIndex i) const {
    return tracks[i].likely_due && perhaps_starts(i);
}

Marshal::Core::Share Marshal::Core::share(LoadIndex i) const {
    const Load& load = loads[i];
    const Track& track = tracks[i];
    if (load.controlled() && !may_be_on(i)) return {};
    for (Leg leg : all_legs)  // unseen, it may have stopped and be about to start again
        if (load.legs.contains(leg) && silent(leg))
            return {0, load.start_a(0), load.running_a(), load.start_window()};
    Share share{track.drawn_a, 0, 0, {}};
    if (!standing(i)) {
        if (starts_after_all(i)) {
            share.start_a = load.start_a(track.settled - 1);
            share.window = load.start_window();
        }
        if (!track.rises_until) return share;
        share.start_a = share.running_a = std::max(0.0, setting_a(i) - track.drawn_a);
        share.window = load.start_window();
        return share;
    }
    share.start_a = load.start_a(track.settled);
    share.running_a = run_between(load, track.settled, load.stages.size());
    share.window = load.start_window();
    return share;
}

/// Adds a load's reservation, or takes it out again (sign -1). Of a start that is under way, only the rest is
/// weighed.
void Marshal::Core::weigh(Prospect& p, LoadIndex i, double sign) const {
    const Share s = share(i);
    if (s.start_a == 0) return;  // and so it runs at nothing: a start is no less than what it comes to
    const LegSet on = loads[i].legs;
    const Duration started = started_for(i);
    const Duration left = std::max(s.window - started, Duration::zero());
    if (started > Duration::zero()) {
        p.ending_after = std::max(p.ending_after, left);
        add(p.ending_a, on, sign * (s.start_a - s.running_a));
    }
    p.reserve(on, sign * s.start_a, sign * s.running_a, left);
}

void Marshal::Core::put_on(Prospect& p, LoadIndex i) const {
    p.take_off(loads[i].legs, -share(i).drawn_a);
    weigh(p, i, 1);
}

void Marshal::Core::take_off(Prospect& p, LoadIndex i) const {
    p.take_off(loads[i].legs, share(i).drawn_a);
    weigh(p, i, -1);
}

/// The same with what it may well draw. That is a guess: only for what is done in time to see whether it was
/// right.
void Marshal::Core::put_on_perhaps(Prospect& p, LoadIndex i) const {
    put_on(p, i);
    p.take_off(loads[i].legs, -tracks[i].perhaps_a);
}

void Marshal::Core::take_off_perhaps(Prospect& p, LoadIndex i) const {
    take_off(p, i);
    p.take_off(loads[i].legs, tracks[i].perhaps_a);
}

/// What flows and is not drawn by a load that we control and that is on.
PerLeg<double> Marshal::Core::uncontrolled_a() const {
    PerLeg<double> rest_a;
    for (Leg leg : all_legs)
        rest_a[leg] =
            legs[leg].explained || silent(leg) ? legs[leg].watch.level_a() : legs[leg].watch.now_a();
    for (LoadIndex i : by_rank)
        add(rest_a, loads[i].legs, -tracks[i].drawn_a);
    for (Leg leg : all_legs)
        rest_a[leg] = std::max(0.0, rest_a[leg]);
    return rest_a;
}

/// How much of this load's start window has passed already, if a rise that is under way can only be its
/// start.
Duration Marshal::Core::started_for(LoadIndex i) const {
    const Leg leg = loads[i].legs.first();
    if (!tracks[i].stage_due || !standing(i) || !legs[leg].explained) return Duration::zero();
    return now - legs[leg].watch.began();
}

/// What flows, and nothing reserved yet. With `count_relief`, what a shed is about to relieve is off already.
Prospect Marshal::Core::flowing(bool count_relief) const {
    Prospect p;
    p.reaction = reaction;
    for (Leg leg : all_legs) {
        const LegWatch& watch = legs[leg].watch;
        p.measured_a[leg] = watch.now_a();
        p.base_a[leg] = legs[leg].explained ? watch.level_a() : watch.now_a();
        if (!silent(leg)) continue;
        for (LoadIndex i = 0; i < tracks.size(); ++i)
            if (loads[i].legs.contains(leg)) p.base_a[leg] -= tracks[i].drawn_a;
        p.measured_a[leg] = p.base_a[leg] = std::max(0.0, p.base_a[leg]);
    }
    for (LoadIndex i = 0; count_relief && i < tracks.size(); ++i) {
        const auto& relief = tracks[i].relief;
        if (relief && !relief->seen && now < relief->counts_until) p.take_off(loads[i].legs, relief->drawn_a);
    }
    return p;
}

Prospect Marshal::Core::prospect(bool count_relief) const {
    Prospect p = flowing(count_relief);
    const bool all_seen = !any_silent();
    for (LoadIndex i = 0; i < tracks.size(); ++i) {
        const bool adds_nothing = all_seen && !standing(i) && !tracks[i].rises_until && !starts_after_all(i);
        if (!adds_nothing) weigh(p, i, 1);
    }
    return p;
}

}  // namespace ampmarshal::rules
