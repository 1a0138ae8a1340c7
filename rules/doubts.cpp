// What may have happened unseen. A step on a leg is often not one load's beyond doubt: another's start or
// stop fits as well, or two have moved at once. starts.cpp books what is likeliest; here is kept what it may
// have been instead: who may have stopped, whose start is still to come, and who may draw what nobody is
// known to. A doubt accuses nobody: it reserves a start, lets a compressor rest, asks a switch again, and
// says who is suspected first of drawing what flows.
#include <algorithm>
#include <utility>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr Duration unknown_for = 10min;  ///< so long what flowed when a load was let start is not suspected

}  // namespace

/// A stop may have been this load's, and is booked to another, or to nobody.
void Marshal::Core::doubt(LoadIndex i, LoadIndex booked) {
    Track& track = tracks[i];
    if (booked == i || (track.or_else && track.or_else != booked)) track.sure = false;
    track.or_else = booked;
}

/// A start is booked: was it surely this load's? Of the loads that it shared a stop with, all run now.
void Marshal::Core::note_sure(LoadIndex i, bool sure) {
    tracks[i].sure = sure;
    tracks[i].perhaps_settled = 0;
    tracks[i].or_else.reset();
    for (Track& track : tracks)
        if (track.or_else == i) track.or_else.reset();
}

/// Its own meter shows that a stop which was booked to this load was another's: of those that it may have
/// been, the one whose next start is the worst.
void Marshal::Core::pass_stop_on(LoadIndex i) {
    std::optional<LoadIndex> worst;
    for (LoadIndex other = 0; other < loads.size(); ++other)
        if (tracks[other].or_else == i && tracks[other].settled > 0 &&
            (!worst || loads[other].start_a(0) > loads[*worst].start_a(0)))
            worst = other;
    if (!worst) return;
    unsettle(*worst);
    for (LoadIndex other = 0; other < loads.size(); ++other)
        if (other != worst && tracks[other].or_else == i) doubt(other, *worst);
}

/// It is taken to run, but that is not sure, or another stop may have been its own.
bool Marshal::Core::perhaps_stopped(LoadIndex i) const {
    return tracks[i].settled > 0 && (!tracks[i].sure || tracks[i].or_else);
}

/// The start that was expected of it has not come: or another stopped at the same time, and hid it.
void Marshal::Core::doubt_who_hid(LoadIndex i) {
    if (tells_itself(i)) return;
    const double due_a = run_between(usual(i), tracks[i].settled, loads[i].stages.size());
    for (LoadIndex other = 0; other < loads.size(); ++other)
        if (other != i && tracks[other].settled > 0 && loads[other].legs.touches(loads[i].legs) &&
            !tells_itself(other) && distance(due_a, tracks[other].drawn_a) <= 1)
            tracks[other].sure = false;
}

/// Could it, like a charger, have tapered off so far? What starts hard does not.
bool Marshal::Core::may_taper_to(LoadIndex i, double seen_a) const {
    return !loads[i].starts_hard() && seen_a <= usual(i).running_a();
}

/// Could this fall, which is booked to one load, be another's that ran unknown, and was told to stop or
/// stopped by itself? By itself, or beside those that are expected to fall. Then it was a part of what nobody
/// was known to draw before, and the one that is booked may run on unknown. Of whom only the last stage ran
/// unknown, all may be off. What was told to stop and starts softly may have tapered off before.
void Marshal::Core::leave_unknown(Leg leg, double fall_a, Instant began, LoadIndex booked) {
    double beside_a = fall_a;
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (tracks[i].relief && loads[i].legs.contains(leg)) beside_a -= tracks[i].relief->drawn_a;
    Track& runs_on = tracks[booked];
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (i != booked && tracks[i].settled > 0 && standing(i) && loads[i].legs.contains(leg) &&
            distance(fall_a, total_run_a(i)) <= 1)
            doubt(i, booked);
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const Track& track = tracks[i];
        const bool told = track.settles_at && began < *track.settles_at && !track.relief;
        const bool idle = may_be_on(i) && track.settled == 0;
        if (i == booked || !(told || idle) || !loads[i].legs.contains(leg)) continue;
        const bool alone = (told && may_taper_to(i, fall_a)) || may_draw(usual(i), fall_a);
        if (!alone && !(told && may_draw(usual(i), beside_a))) continue;
        runs_on.unknown_at_a = std::max(0.0, runs_on.unknown_at_a - (alone ? fall_a : beside_a));
        runs_on.sure = false;
        return;
    }
}

/// Nobody is known to have stopped. It may have been a load whose relay had closed by itself, or stuck: it
/// rests from here. So does one that was told off again just before, and may be a part of the fall: several
/// may have heard that only now.
void Marshal::Core::rest_unknown(Leg leg, double fall_a) {
    for (LoadIndex i : by_rank) {
        const bool known = may_be_on(i) || tells_itself(i) || !loads[i].legs.contains(leg);
        const double runs_a = usual(i).running_a();
        const Duration shows_within = loads[i].switch_latency + 3 * rig.timing.meter_period[leg] + reaction;
        const bool just_told = now - tracks[i].switched_at <= shows_within;
        const bool perhaps = just_told ? fall_a >= (1 - match_share) * runs_a : distance(fall_a, runs_a) <= 1;
        if (!known && perhaps) tracks[i].stopped_at = now;
    }
}

/// Could this be the start of a load that is taken to run, and may have stopped unknown? Or of a compressor
/// whose fan runs unknown?
bool Marshal::Core::idler_starts(Leg leg, double rise_a, LoadIndex but) const {
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const Track& track = tracks[i];
        if (i == but || !loads[i].legs.contains(leg)) continue;
        const std::size_t stages = loads[i].stages.size();
        if (perhaps_stopped(i) && may_draw(usual(i), rise_a)) return true;
        for (std::size_t from = track.settled + 1; standing(i) && from < stages; ++from)
            if (distance(rise_a, run_between(usual(i), from, stages)) <= 1) return true;
    }
    return false;
}

/// A start was booked to another load, or to nobody. Was it the fan of one that is taken to run, and may have
/// stopped? Then its compressor may come next, and is reserved until it is overdue.
void Marshal::Core::reserve_doubted(Leg leg, double rise_a, std::optional<LoadIndex> but) {
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const Load& load = loads[i];
        const bool runs = load.starts_hard() && tracks[i].settled == load.stages.size();
        if (i == but || !runs || !load.legs.contains(leg) || tells_itself(i) || !perhaps_stopped(i)) continue;
        const std::size_t last = load.stages.size() - 1;
        if (last == 0 || distance(rise_a, run_between(usual(i), 0, last)) > 1) continue;
        tracks[i].perhaps_due = now + load.stages[last].latest_after + load.stages[last].start_window +
                                3 * rig.timing.meter_period[leg];
        tracks[i].likely_due = true;
    }
}

/// A start that several may have made is booked to none of them, so that each of them stays reserved. But
/// whoever it was has its next stage alone before it now.
void Marshal::Core::leave_to_nobody(const Hypotheses& all, double rise_a) {
    for (const Hypothesis& h : all)
        if (h.alone && distance(rise_a, h.rise_a) <= 1)
            tracks[h.load].perhaps_settled = std::max(tracks[h.load].perhaps_settled, h.settled_after);
}

/// Nobody that may start makes this rise: what else may have happened?
void Marshal::Core::leave_unexplained(Leg leg, const Hypotheses& all, double rise_a) {
    for (const Hypothesis& stop : all)
        if (all.hidden_by_start(stop, rise_a)) tracks[stop.load].sure = false;
    reserve_doubted(leg, rise_a, std::nullopt);
    ask_the_idle(leg, rise_a);
}

/// Was it a load that is off, whose relay has closed by itself? What a switch says when it is told the same
/// again counts for its answer, where the word it gave then was lost.
void Marshal::Core::ask_the_idle(Leg leg, double rise_a) {
    for (LoadIndex i : by_rank) {
        if (tracks[i].on || !tracks[i].asserted || !loads[i].reports_switch || tells_itself(i)) continue;
        if (loads[i].legs.contains(leg) && may_draw(usual(i), rise_a)) tell_again(i);
    }
}

/// What of this current is booked to nobody.
double Marshal::Core::unbooked_a(Leg leg, double flowing_a) const {
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (loads[i].legs.contains(leg)) flowing_a -= tracks[i].drawn_a;
    return std::max(0.0, flowing_a);
}

/// What flows and is booked to nobody.
double Marshal::Core::unknown_a(Leg leg) const {
    const LegWatch& watch = legs[leg].watch;
    return unbooked_a(leg, legs[leg].explained ? watch.level_a() : watch.now_a());
}

/// What of this a load may well draw that can be shed, and has not started all of its stages: all of the rest
/// of it, or nothing. What is switched, and starts softly, draws from when it is on: it may have tapered off,
/// and draw less.
double Marshal::Core::perhaps_own_a(LoadIndex i, const PerLeg<double>& unknown_a) const {
    const Track& track = tracks[i];
    const Load& load = loads[i];
    if (track.stage_due || tells_itself(i)) return 0;
    const double rest_a = total_run_a(i) - track.drawn_a;
    const double before_a = now - track.switched_at < unknown_for ? track.unknown_at_a : 0;
    double left_a = rest_a;
    for (Leg leg : all_legs)
        if (load.legs.contains(leg)) left_a = std::min(left_a, std::max(0.0, unknown_a[leg] - before_a));
    if (left_a >= (1 - match_share) * rest_a) return rest_a;
    return load.control == Control::switched && !load.starts_hard() ? left_a : 0;
}

/// What flows and is booked to nobody may well be drawn by a load that is on and was not seen to start: it
/// ran when this program came up, or its start fell together with something else. The lower ranks are
/// suspected first, so that none of them is spared at a higher one's cost.
void Marshal::Core::note_perhaps() {
    const bool in_motion = any_moving() || stop_in_flight();
    std::optional<PerLeg<double>> left_a;
    for (auto i = by_rank.rbegin(); i != by_rank.rend(); ++i) {
        Track& track = tracks[*i];
        const double before_a = std::exchange(track.perhaps_a, 0.0);
        if (!can_shed(*i) || !standing(*i)) continue;
        if (in_motion) {
            track.perhaps_a = std::min(before_a, total_run_a(*i) - track.drawn_a);
            continue;
        }
        if (!left_a) left_a = {{unknown_a(Leg::l1), unknown_a(Leg::l2)}};
        track.perhaps_a = perhaps_own_a(*i, *left_a);
        add(*left_a, loads[*i].legs, -track.perhaps_a);
    }
}

}  // namespace ampmarshal::rules
