// Does a load do as it is told? A switch is told again what it was told last where the message may have been
// lost, and is heard or watched for an answer. Who was told to stop must show that on the meter; whose
// current stays, and can be no other's, is called disobedient: it is counted for what it draws until a person
// has looked.
#include <algorithm>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr Duration feedback_grace = 1s;  ///< after a link came up, retained switch states arrive first
constexpr Duration switch_answer = 5s;   ///< a reporting switch that says nothing by then has nothing to say
constexpr int repeated_max = 3;          ///< a command is repeated so often at that pace,
constexpr Duration asks_slowly = 5min;   ///< and then at this one, as long as it is mute and its load idle
constexpr Duration runs_unheard = 10s;   ///< while the link is gone so long, a relay may close and open again
constexpr Duration off_for_sure = 10s;   ///< a contact that flaps has said "off" for so long
constexpr Duration repeat_costs = 150s;  ///< a switch is told the same again six times at once, but then
constexpr Duration repeats_cost_at_most = 15min;  ///< only as often as that time passes
constexpr Duration told_all_again_after = 5s;    ///< while there is an overload, and nothing is left to shed;
constexpr Duration told_all_again_every = 2min;  ///< each time twice as late, up to this ...
constexpr Duration told_all_forgotten_after = 10min;  ///< ... and soon again after so long without
constexpr double least_judged_a = 1.5;  ///< smaller loads drown in noise: not judged for obedience
constexpr double little_share = 0.5;    ///< of all that it draws: not more than a fan
constexpr double obeyed_share = 0.2;    ///< a load that draws less than it used to has still obeyed
constexpr Duration judged_later = 1s;  ///< a slow relay gets this much longer before it is called disobedient

}  // namespace

/// The link is just up, and the meters have not had the time to speak.
bool Marshal::Core::listening() const {
    return now - link_up_at < feedback_grace && any_silent();
}

/// A switch is told once more what it was told last: the message may have been lost. There are many reasons
/// to do so, each with a pace of its own; where they come together, a switch is spared what it must have
/// heard.
bool Marshal::Core::tell_again(LoadIndex i) {
    Track& track = tracks[i];
    const Instant until = std::max(track.repeats_until, now) + repeat_costs;
    if (rig.observing || until > now + repeats_cost_at_most) return false;
    track.repeats_until = until;
    actions.push_back(Switch{i, track.on, track.reason, false});
    return true;
}

/// The link is up, for the first time or again. Who knows whether a load ran meanwhile whose switch has not
/// said that it is off, or could not say since that it was on? It is about to be told off, and rests from
/// there.
void Marshal::Core::rest_the_mute() {
    const bool unheard = now - link_up_at >= runs_unheard;
    for (LoadIndex i : by_rank)
        if (!tracks[i].on && (unheard || tracks[i].reported != false) && !tells_itself(i))
            tracks[i].stopped_at = now + feedback_grace + loads[i].switch_latency;
}

/// After the link came up every switch is told once what it should be. Off at once; on only when the meters
/// are heard and everything that is on has passed the worst case.
void Marshal::Core::assert_switches() {
    if (now - link_up_at < feedback_grace) return;
    for (LoadIndex i : by_rank) {
        Track& track = tracks[i];
        const bool off = track.reported_off_at && now - *track.reported_off_at >= off_for_sure;
        if (off && !draws_by_own_meter(i)) track.offs_repeated = 0;
        if (!track.asserted && (!track.on || !any_silent())) {
            if (track.on) track.reason = {.kind = ReasonKind::fits};
            if (!rig.observing && !tell_again(i)) continue;
            track.asserted = true;
            track.switched_at = now;
            if (adjustable(i)) actions.push_back(Adjust{i, setting_a(i), track.reason, false});
        }
        const Duration wait = loads[i].reports_switch ? switch_answer : loads[i].switch_latency;
        if (track.asserted && now - track.switched_at >= wait) track.heard = true;
    }
}

/// The one message may have been lost that granted a load, whose start is reserved and may come at any time,
/// or that took the permit from an idle one, where no meter shows whether it was heard. Nor does one while
/// the supply is away: what is told to stop then is told again even if its switch never says anything. A
/// relay that hears nothing for a while must not leave its load waiting for ever.
void Marshal::Core::ask_the_mute_again() {
    for (LoadIndex i : by_rank) {
        Track& track = tracks[i];
        if (track.settled > 0 || track.reported) track.asked_again.reset();  // it has heard
        if (track.stuck || !track.asked_again) continue;
        const int in_vain = *track.asked_again - (loads[i].reports_switch || !track.on ? repeated_max : 0);
        const Duration asks_at = in_vain < 0 ? (*track.asked_again + 1) * switch_answer
                                             : repeated_max * switch_answer + (in_vain + 1) * asks_slowly;
        if (now - track.switched_at >= asks_at && tell_again(i)) ++*track.asked_again;
    }
}

/// What a switch says right after a command may be older than that. Where nothing else follows it was its
/// answer.
void Marshal::Core::tell_the_unwilling_again() {
    for (LoadIndex i : by_rank) {
        const Track& track = tracks[i];
        if (!unwilling(i) || !track.asserted || rig.observing) continue;
        if (now - track.switched_at < switch_answer) continue;
        told_off_in_vain(i, track.drawn_a);
    }
}

/// It is on although it was told off. The message may have been lost, so it is told again a few times. If it
/// is only its own meter that says so, and its legs cannot carry that, the meter is frozen.
void Marshal::Core::told_off_in_vain(LoadIndex i, double drawn_a) {
    Track& track = tracks[i];
    if (track.offs_repeated >= repeated_max) {
        if (track.reported == true || !more_than_flows(i, drawn_a)) return call_stuck(i, drawn_a);
        own[i]->doubted = true;
        track.offs_repeated = 0;
        return unsettle(i);
    }
    ++track.offs_repeated;
    tell_again(i);
    track.switched_at = now;
}

/// All that should be off is told so once more, but for what was told so within that time.
void Marshal::Core::tell_off_again(Duration told_within) {
    for (LoadIndex i : by_rank) {
        Track& track = tracks[i];
        if (!track.on && now - track.switched_at >= told_within && tell_again(i)) track.switched_at = now;
    }
}

/// There is too much, and nothing is left to shed. Whatever it is, it may be a load that has not heard, also
/// one that was thought not to obey; unless it is over at once, as a spike is.
void Marshal::Core::tell_all_again() {
    if (!too_much_since) too_much_since = now;
    if (now - *too_much_since < told_all_again_after || (tells_all_at && now < *tells_all_at)) return;
    tell_off_again(reaction);
    const bool again = tells_all_at && now - *tells_all_at < told_all_forgotten_after;
    tells_all_after = again ? std::min(2 * tells_all_after, told_all_again_every) : told_all_again_after;
    tells_all_at = now + tells_all_after;
}

/// Does the leg rise as only this load can that is taken to run already? Then what was booked as its start
/// was another's.
bool Marshal::Core::starts_again(LoadIndex i, Leg leg) const {
    const LegWatch& watch = legs[leg].watch;
    const double excess_a = watch.now_a() - watch.level_a();
    const bool as_it_starts = watch.rising() && loads[i].starts_hard() && excess_a >= loads[i].running_a() &&
                              healthy_peak(excess_a, loads[i].start_a(0));
    if (!as_it_starts || tracks[i].settled == 0) return false;
    for (LoadIndex other = 0; other < loads.size(); ++other)
        if (other != i && may_start_to(other, leg, excess_a)) return false;
    return true;
}

/// A load was told to draw so much less, or nothing. Until the meter shows it, it is counted on, and then
/// judged.
void Marshal::Core::expect_fall(LoadIndex i, double drawn_a) {
    const Load& load = loads[i];
    Track& track = tracks[i];
    if (drawn_a <= 0) return;
    // Another's start may make up for what it draws beyond the books.
    const bool perhaps_more = track.perhaps_settled > track.settled;
    if (perhaps_more || starts_again(i, load.legs.first())) track.sure = false;
    if (silent(load.legs.first())) {
        for (Leg leg : all_legs)
            if (load.legs.contains(leg)) legs[leg].watch.assume_fall(drawn_a);
    } else {
        const bool more_to_come = track.relief && !track.relief->seen;
        const Duration to_follow = track.on ? load.start_window() : Duration::zero();
        track.relief = Relief{drawn_a + (more_to_come ? track.relief->drawn_a : 0),
                              {{legs[Leg::l1].watch.now_a(), legs[Leg::l2].watch.now_a()}},
                              now + reaction + to_follow,
                              now + 2 * reaction + to_follow,
                              legs[load.legs.first()].watch.rising()};
    }
    // Who was told to stop before is judged by what falls beyond this load's part, if that is surely its own.
    if (!track.sure || track.or_else) return;
    for (LoadIndex other = 0; other < tracks.size(); ++other)
        if (other != i && tracks[other].relief) add(tracks[other].relief->before_a, load.legs, -drawn_a);
}

void Marshal::Core::check_reliefs() {
    for (LoadIndex i = 0; i < tracks.size(); ++i) {
        Track& track = tracks[i];
        if (!track.relief) continue;
        const Leg leg = loads[i].legs.first();
        Relief& relief = *track.relief;
        const double fallen_a = relief.before_a[leg] - legs[leg].watch.now_a();
        if (!relief.seen && !silent(leg) && fallen_a >= 0.5 * relief.drawn_a) {
            relief.seen = true;
            for (Leg on : all_legs)
                if (relief.amid_rise && loads[i].legs.contains(on)) legs[on].watch.drop(now, relief.drawn_a);
        }
        relief.obeyed |= !silent(leg) && fallen_a >= obeyed_share * relief.drawn_a;
        if (now >= relief.counts_until && track.on) {
            if (relief.obeyed || silent(leg))
                track.relief.reset();
            else
                doubt_adjusting(i);
            continue;
        }
        if (now >= relief.counts_until && !relief.obeyed && !relief.told_again && link_up) {
            relief.told_again = true;
            relief.judged_at = now + reaction + judged_later;
            tell_again(i);
        }
        if (now < relief.judged_at || silent(leg)) continue;
        const bool judged = disobeys(i);
        learn_whether_adjusted(i, relief.seen);
        const double drawn_a = relief.drawn_a;
        track.relief.reset();
        if (judged) call_stuck(i, drawn_a);
    }
}

/// Does a load that may start draw so much more, with no higher a peak?
bool Marshal::Core::may_be_start(Leg leg, const Step& step) const {
    return starts_on(leg, step.peak_a - step.baseline_a).any_match(step.rise_a());
}

/// Amid another's rise, or a reading that was wrong, what a load was told to give up seemed to have fallen,
/// and was taken off the level. If the leg is now as much above that, it has not. Returns whether that
/// explains it. Where a start may have been the rise, and is all that is left of it, or another load was
/// taken off the level with it, and may have drawn less than the books say, the load is told again all the
/// same, but not accused.
bool Marshal::Core::still_flows(Leg leg, const Step& step) {
    bool any = false;
    for (LoadIndex i = 0; i < tracks.size(); ++i) {
        auto& relief = tracks[i].relief;
        if (!relief || !relief->seen || !relief->amid_rise || !loads[i].legs.contains(leg)) continue;
        if (distance(step.rise_a(), relief->drawn_a) > 1) continue;
        const double others_a = legs[leg].watch.dropped_a() - relief->drawn_a;
        if (may_be_start(leg, step) || step.rise_a() <= others_a) tracks[i].sure = false;
        relief->seen = relief->obeyed = relief->amid_rise = false;
        for (Leg on : all_legs)
            relief->before_a[on] = legs[on].watch.now_a();
        any = true;
    }
    return any;
}

/// The most that a load draws whose start was left to nobody, if it was its own.
double Marshal::Core::perhaps_drawn_a(Leg leg) const {
    double most_a = 0;
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (loads[i].legs.contains(leg))
            most_a = std::max(most_a, run_between(usual(i), tracks[i].settled, tracks[i].perhaps_settled));
    return most_a;
}

/// Told to stop, and its current stays. Not where that current may well be another's: then this load may have
/// been idle all the time, because its start was another's, or its own stop was booked to somebody else or
/// missed. Nor where nothing flows that did not when it was granted. What flows counts in any case; only
/// nobody is named for it.
bool Marshal::Core::disobeys(LoadIndex i) const {
    const Load& load = loads[i];
    const Relief& relief = *tracks[i].relief;
    if (tells_itself(i) &&
        *own[i]->heard_at >= tracks[i].switched_at + load.switch_latency + load.own_meter->period)
        return own[i]->watch.now_a() >= 0.5 * relief.drawn_a;
    if (!tracks[i].sure || tracks[i].or_else) return false;
    if (relief.obeyed || relief.drawn_a < least_judged_a) return false;
    // A charger tapers, a heater's own thermostat may have stopped it unseen, and a fan's little current is
    // soon another's: there the switch's word counts.
    const bool little = relief.drawn_a < little_share * load.running_a();
    if (tracks[i].reported == false && (little || !load.starts_hard())) return false;
    const Leg leg = load.legs.first();
    const double new_a = unknown_a(leg) - tracks[i].unknown_at_a - perhaps_drawn_a(leg);
    if (new_a < 0.5 * relief.drawn_a) return false;
    return std::none_of(by_rank.begin(), by_rank.end(), [&](LoadIndex other) {
        if (other == i || !standing(other) || !loads[other].legs.contains(leg)) return false;
        Hypotheses unknown;  // it may have started, or only its fan
        unknown.add_rises(usual(other), other, tracks[other].settled, false, 0, false);
        return unknown.any_match(relief.drawn_a);
    });
}

/// It runs whatever it is told, and is counted as what it draws until a person has looked.
void Marshal::Core::call_stuck(LoadIndex i, double drawn_a) {
    Track& track = tracks[i];
    track.stuck = true;
    track.settled = stages_at(i, drawn_a);  // the rest of it may start yet
    track.drawn_a = drawn_a;
    track.lockout = Lockout::disobedience;
    raise(AlertKind::disobedience, i, {.kind = ReasonKind::locked_out_disobedience, .needed_a = drawn_a});
}

}  // namespace ampmarshal::rules
