// Which load was it? A LegWatch reports that a leg's current went from one level to another. Here the step is
// held against everything that could have caused it: loads that may start, loads that run and may stop, loads
// just told to stop. What fits exactly one explanation is booked. Of several loads that may have stopped, the
// one whose next start is the worst is booked as stopped: whichever it really was, its start is reserved.
// What it may have been instead is kept in doubts.cpp.
#include <algorithm>
#include <cmath>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr double no_peak_share = 0.1;  ///< of what a start draws beyond what it comes to
constexpr Duration back_within = 2s;   ///< of the supply: what has no switch, even behind a slow contact

/// A start that nobody commanded and that shows only as a part of a step, and not beside one that was: as it
/// may never have been, it stays reserved.
bool guessed_start(const Hypothesis& h, const Hypothesis& beside) {
    return h.rise_a > 0 && !h.in_flight && !(beside.rise_a > 0 && beside.in_flight);
}

}  // namespace

/// What it would be if this load stopped, or left only its fan running.
void Marshal::Core::add_falls(Hypotheses& all, LoadIndex i) const {
    const Load& load = loads[i];
    const Track& track = tracks[i];
    if (track.relief && !(track.relief->seen && track.relief->amid_rise)) {
        all.add({i, track.on ? track.settled : 0, -track.relief->drawn_a, true});
        return;
    }
    if (track.settled == 0) return;
    all.add({i, 0, -track.drawn_a, false});
    if (track.settled == 2) {
        const double last_share = load.stages[1].running_a / load.running_a();
        all.add({i, 1, -track.drawn_a * last_share, false});
    }
}

/// A load of 240 V moves both legs. Has the other one been read since then, and stays where it was?
bool Marshal::Core::other_leg_denies(LoadIndex i, Leg leg, Instant since) const {
    if (loads[i].legs.count() < 2) return false;
    const Leg other = other_than(leg);
    const LegBooks& books = legs[other];
    return !silent(other) && !books.watch.moving() && *books.heard_at >= since &&
           books.moved_at + rig.timing.meter_period[other] < since;
}

/// A load has moved between `since` and `by`, and it is known which: on this leg that is no news, and not to
/// be taken for another's. False if the leg has moved already; what began to move only later is another's,
/// all the more so where the leg had moved in time before that.
bool Marshal::Core::foretell(Leg leg, double change_a, Instant since, Instant by) {
    LegBooks& books = legs[leg];
    const Duration period = rig.timing.meter_period[leg];
    const Duration shows_within = 2 * period + rig.timing.decision;
    const bool moving = books.watch.moving();
    const bool moved = (moving ? books.moved_before : books.moved_at) > since;
    const bool later = moving && books.watch.began() > by + (moved ? period : shows_within);
    if (moving ? later : moved) return false;
    books.told_a += change_a;
    books.told_until = now + shows_within;
    return true;
}

/// This load has just been found stopped, in a movement that its leg's meter was silent in. Then the supply
/// may have been away, and its contact is closed: it would start as soon as it likes, and so it is told to
/// rest.
void Marshal::Core::rest_unheard(LoadIndex i, Instant began) {
    const Load& load = loads[i];
    const bool unheard = std::any_of(std::begin(all_legs), std::end(all_legs), [&](Leg leg) {
        return load.legs.contains(leg) && (silent(leg) || legs[leg].heard_again_at >= began);
    });
    if (!unheard || tracks[i].stopped_at != now || !can_shed(i) || load.minimum_off == Duration::zero())
        return;
    switch_off(i, {.kind = ReasonKind::rests, .until = now + load.switch_latency + load.minimum_off});
    tracks[i].not_before.reset();  // the rest is all it waits for
    tracks[i].shed = false;
}

/// With the supply comes back all that has no switch, and looks like anybody's start.
bool Marshal::Core::came_with_supply(Leg leg, const Step& step) const {
    const auto& back_at = legs[leg].back_at;
    return back_at && step.began - *back_at <= back_within;
}

/// What of the step is not told already, by a load's own meter or the other leg.
double Marshal::Core::news_a(Leg leg, const Step& step) const {
    return step.rise_a() - legs[leg].told_a;
}

/// May another load, or one that is not known to be idle, have made this start?
bool Marshal::Core::may_be_another(Leg leg, const Hypotheses& all, const Hypothesis& h, double rise_a) const {
    return all.rivals(h, rise_a) || idler_starts(leg, rise_a, h.load);
}

/// Is this start, that nobody else was let make, surely this load's?
bool Marshal::Core::can_be_no_other(Leg leg, const Hypotheses& all, const Hypothesis& h,
                                    double rise_a) const {
    return h.in_flight || !(may_be_another(leg, all, h, rise_a) || all.two_make(rise_a, slow(leg), h.load));
}

/// May this start, that nobody commanded and that matches best, as well be another's? Where it would be a
/// whole start with a hard part, which is no longer reserved once it is booked, any other that matches may:
/// what a load is said to draw is not exact enough to go by what comes closer.
bool Marshal::Core::hard_to_tell(Leg leg, const Step& step, const Hypotheses& all,
                                 const Hypothesis& best) const {
    const Load& load = loads[best.load];
    const double rise_a = news_a(leg, step);
    const bool hard = load.starts_hard() && best.settled_after == load.stages.size();
    return came_with_supply(leg, step) || all.commanded_may_make(best, rise_a) ||
           (hard && all.rivals(best, rise_a));
}

/// All that may start on this leg, but for one load, as far as the peak is not too high for it.
Hypotheses Marshal::Core::starts_on(Leg leg, double peak_rise_a, std::optional<LoadIndex> but) const {
    Hypotheses starts;
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (i != but && loads[i].legs.contains(leg) && standing(i))
            starts.add_rises(usual(i), i, tracks[i].settled, false, peak_rise_a, false);
    return starts;
}

/// Only the last stage of a load seems to have stopped. May all of it have, while another started by itself,
/// whose peak the fall has hidden?
bool Marshal::Core::may_be_all(Leg leg, const Hypothesis& stop, double fall_a) const {
    return stop.settled_after > 0 &&
           starts_on(leg, 0, stop.load).make_up_for(tracks[stop.load].drawn_a, stop, fall_a);
}

/// Two readings should have fallen into the start, and none of them shows any of its peak.
bool Marshal::Core::lacks_peak(Leg leg, const Hypothesis& h, const Step& step) const {
    const Load& load = loads[h.load];
    const bool seen = legs[leg].holds_peaks || 2 * rig.timing.meter_period[leg] <= load.start_window();
    const double over_a = load.start_a(tracks[h.load].settled) - h.rise_a;
    return seen && step.peak_a - step.settled_a < no_peak_share * over_a;
}

/// Takes this explanation of a step on the leg into the books, with `own_a` of what has moved as the load's
/// own.
void Marshal::Core::book(Leg leg, const Step& step, const Hypotheses& all, const Hypothesis& h,
                         double own_a) {
    const double rise_a = news_a(leg, step);
    if (loads[h.load].legs.count() == 2)
        foretell(other_than(leg), own_a, step.began - rig.timing.meter_period[leg], step.began);
    if (h.rise_a > 0) {
        Track& track = tracks[h.load];
        const bool so_far = track.settled == 0 || track.sure;
        if (loads[h.load].starts_hard() && may_be_another(leg, all, h, rise_a))
            track.perhaps_due = track.stage_due.value_or(now);
        track.likely_due = lacks_peak(leg, h, step);
        accept_rise(h.load, h.settled_after, own_a, step);
        note_sure(h.load, so_far && can_be_no_other(leg, all, h, rise_a));
        if (!h.in_flight) reserve_doubted(leg, rise_a, h.load);
    } else {
        const bool perhaps_all = may_be_all(leg, h, rise_a);
        accept_fall(h.load, h.settled_after, -h.rise_a);
        if (perhaps_all) doubt(h.load, h.load);
        leave_unknown(leg, -rise_a, step.began, h.load);
        tracks[h.load].surely_fell = stops(h, rise_a) && !all.rivals(h, rise_a);
        for (const Hypothesis& other : all)
            if (other.load != h.load && all.may_have_stopped(other, rise_a)) doubt(other.load, h.load);
    }
}

/// One of two loads that together make the step. That the other one stopped, and nobody told it to, is a
/// guess: where the first stages of a start alone are no further from the step than noise, only they are
/// booked, and the rest stays reserved. Nor is it sure then what the one that started draws: a charger may
/// have tapered off so far.
void Marshal::Core::book_beside(Leg leg, const Step& step, const Hypotheses& all, const Hypothesis& h,
                                const Hypothesis& beside) {
    if (guessed_start(h, beside)) return;
    const bool stop_guessed = beside.rise_a < 0 && !beside.in_flight;
    const Hypothesis* part =
        stop_guessed ? all.part_alone(h, news_a(leg, step), legs[leg].watch.least_step_a()) : nullptr;
    book(leg, step, all, part ? *part : h, part ? part->rise_a : h.rise_a);
    if (part) tracks[h.load].perhaps_settled = h.settled_after;
    if (stop_guessed) tracks[h.load].sure = false;
}

/// Who was told to stop on this leg may have done so beside a start, and hidden its peak.
bool Marshal::Core::stop_expected(Leg leg) const {
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (tracks[i].relief && !tracks[i].relief->seen && loads[i].legs.contains(leg)) return true;
    return false;
}

void Marshal::Core::explain(Leg leg, const Step& step, bool whole) {
    Hypotheses all, denied;  ///< these are stops that the loads' own meters do not show
    const Duration period = rig.timing.meter_period[leg];
    const double told_a = legs[leg].told_a;
    const double rise_a = news_a(leg, step);
    const bool shows_peak = told_a == 0 && !stop_expected(leg);
    if (told_a != 0 && std::abs(rise_a) <= legs[leg].watch.least_step_a()) return;  // all is known already
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        if (!loads[i].legs.contains(leg) || other_leg_denies(i, leg, step.began)) continue;
        const bool still = unmoved(i, step.began);
        add_falls(still ? denied : all, i);
        if (still) continue;
        const bool fast = sees_peak(legs[leg].holds_peaks, period, loads[i].start_window());
        const auto add_rises = [&](std::size_t from) {
            all.add_rises(usual(i), i, from, tracks[i].stage_due.has_value(), step.peak_a - step.baseline_a,
                          fast && shows_peak);
        };
        const std::size_t perhaps = std::max(tracks[i].settled, tracks[i].perhaps_settled);
        for (std::size_t from = tracks[i].settled; standing(i) && from <= perhaps; ++from)
            add_rises(from);
        if (!standing(i) && tracks[i].rises_until)
            all.add({i, tracks[i].settled, setting_a(i) - tracks[i].drawn_a, true});
    }
    const auto book = [&](const Hypothesis& h, double own_a) { this->book(leg, step, all, h, own_a); };
    // What was just commanded is far likelier than what happens by itself: first one such load, then several.
    const Hypothesis* best = all.single(rise_a, true, match_share);
    if (const auto* other = best && rise_a > 0 ? all.better_by_peak(*best, rise_a) : nullptr) best = other;
    if (const auto* other = best ? all.softer(*best, rise_a, loads) : nullptr) best = other;
    if (!best && all.told_to_stop_make(rise_a)) {
        for (const Hypothesis& h : all)
            if (h.in_flight && h.rise_a < 0) book(h, h.rise_a);
        return;
    }
    auto two = best ? std::nullopt : all.pair(rise_a, true);
    if (!best && !two) best = all.single(rise_a, false, match_share);
    if (best && rise_a > 0 && !best->in_flight && hard_to_tell(leg, step, all, *best)) best = nullptr;
    if (best && rise_a < 0) best = all.safest_stop(best, rise_a, loads);
    const bool rivals = !best && all.any_match(rise_a);
    for (const Hypothesis& stop : all)
        if (!(best && best->in_flight) && stop.in_flight && all.hidden_by_start(stop, rise_a))
            tracks[stop.load].sure = false;
    if (!best && !two && !rivals) two = all.pair(rise_a, false);
    if (!best && !two && !rivals) best = all.single(rise_a, true, wide_match_share);
    if (best) {
        if (const auto* part = all.only_part(*best, rise_a)) return book(*part, part->rise_a);
        if (best->rise_a > 0 && whole && told_a == 0 && can_be_no_other(leg, all, *best, rise_a))
            learn(best->load, best->settled_after, step, period, legs[leg].holds_peaks);
        book(*best, rise_a);
    } else if (two) {
        book_beside(leg, step, all, two->first, two->second);
        book_beside(leg, step, all, two->second, two->first);
    } else if (const auto* stop = rise_a > 0 && rivals ? nullptr : all.worst_stop(rise_a, loads)) {
        book(*stop, stop->rise_a);
    } else if (rise_a < 0) {
        const Hypothesis* frozen = denied.worst_stop(rise_a, loads);
        if (frozen) own[frozen->load]->doubted = true;
        const Hypothesis* beside = frozen ? frozen : all.stop_beside_rise(rise_a, step, loads);
        if (beside) return book(*beside, beside->rise_a);
        for (const Hypothesis& h : all)
            if (h.rise_a < 0 && !h.in_flight) doubt(h.load, h.load);
        rest_unknown(leg, -rise_a);
    } else if (rivals) {
        leave_to_nobody(all, rise_a);
    } else {
        leave_unexplained(leg, all, rise_a);
        check_stall(leg, rise_a, step.began);
    }
}

/// Only from the start of one stage that can have been no other load's, and while nothing else was about to
/// move.
void Marshal::Core::learn(LoadIndex i, std::size_t settled, const Step& step, Duration period,
                          bool holds_peaks) {
    if (loads[i].adjustment || !standing(i) || settled != tracks[i].settled + 1 || stop_in_flight()) return;
    const std::size_t stage = settled - 1;
    const LegBooks& books = legs[loads[i].legs.first()];
    const Duration lasted = step.reached - step.began;
    SeenStart start{
        .peak_a = step.peak_a - step.baseline_a,
        .running_a = step.rise_a(),
        .lasted = lasted,
        .period = period,
        .saw_peak = sees_peak(holds_peaks, period, std::min(lasted, rig.loads[i].stages[stage].start_window)),
        .source = present};
    if (source() && books.extreme_a > 0) start.line_share = books.extreme_v / source()->nominal_v;
    profiles[i][stage].learn(start);
    believe(i);
    tell_departure(i);
}

void Marshal::Core::tell_departure(LoadIndex i) {
    for (std::size_t stage = 0; stage < profiles[i].size(); ++stage) {
        const auto departure = profiles[i][stage].departure();
        if (departure) return raise(AlertRaised{AlertKind::departed, i, {}, departure, stage});
    }
    clear(AlertKind::departed, i);
}

/// Decides with what the starts of a load have taught.
void Marshal::Core::believe(LoadIndex i) {
    if (loads[i].adjustment) return;
    for (std::size_t stage = 0; stage < profiles[i].size(); ++stage) {
        const StageFigures figures = profiles[i][stage].believed(present);
        loads[i].stages[stage].start_a = figures.start_a;
        loads[i].stages[stage].start_window = figures.start_window;
        loads[i].stages[stage].running_a = figures.running_a;
    }
}

void Marshal::Core::accept_rise(LoadIndex i, std::size_t settled, double rise_a, const Step& step) {
    const Load& load = loads[i];
    Track& track = tracks[i];
    if (track.rises_until) {
        track.drawn_a = setting_a(i);
        track.rises_until.reset();
        return;
    }
    const double expected_a = run_between(usual(i), track.settled, settled);
    const double drawn_a =
        std::clamp(rise_a, (1 - wide_match_share) * expected_a, (1 + wide_match_share) * expected_a);
    track.drawn_a += drawn_a;
    // The last stage alone: those before it were not told from others', and run as well. Where they were left
    // to nobody it is enough that it matches, as it comes alone.
    const double last_a = run_between(usual(i), settled - 1, settled);
    const bool left_before = track.perhaps_settled + 1 >= settled && distance(rise_a, last_a) <= 1;
    if (left_before || distance(rise_a, last_a) < distance(rise_a, expected_a))
        track.drawn_a += expected_a - last_a;
    track.settled = settled;
    track.booked_at = now;
    track.awaited = track.stage_due.has_value();
    track.stage_due.reset();
    if (settled < load.stages.size()) {
        const Stage& next = load.stages[settled];
        track.stage_due =
            now + next.latest_after + next.start_window + 3 * rig.timing.meter_period[load.legs.first()];
    } else {
        clear(AlertKind::did_not_start, i);
        clear(AlertKind::stall, i);
        track.stalls = 0;
    }
    actions.push_back(
        StartSeen{i, settled - 1, step.baseline_a, step.peak_a, drawn_a, step.reached - step.began});
}

void Marshal::Core::accept_fall(LoadIndex i, std::size_t settled, double fall_a) {
    Track& track = tracks[i];
    if (track.relief) learn_whether_adjusted(i, true);
    track.relief.reset();
    track.settles_at.reset();
    if (track.on && settled == track.settled) return;  // turned down, and the books say so already
    track.drawn_a = settled == 0 ? 0 : std::max(0.0, track.drawn_a - fall_a);
    track.settled = settled;
    track.perhaps_settled = 0;
    track.booked_at = now;
    track.stage_due.reset();
    track.stopped_at = now;
}

void Marshal::Core::unsettle(LoadIndex i) {
    Track& track = tracks[i];
    track.settled = track.perhaps_settled = 0;
    track.drawn_a = 0;
    track.booked_at = now;
    track.stage_due.reset();
    track.stopped_at = now;
}

/// Do the loads of this leg, by the books, draw more than flows?
bool Marshal::Core::overbooked(Leg leg) const {
    double sum_a = 0;
    for (LoadIndex i = 0; i < tracks.size(); ++i)
        if (loads[i].legs.contains(leg) && !tracks[i].relief) sum_a += tracks[i].drawn_a;
    return sum_a > most_booked_a(leg);
}

double Marshal::Core::most_booked_a(Leg leg) const {
    return 1.5 + (1 + match_share) * legs[leg].watch.level_a();
}

void Marshal::Core::reconcile(Leg leg) {
    const auto doubtful = [&](LoadIndex i) {
        return loads[i].legs.contains(leg) && !tracks[i].relief && !tells_itself(i);
    };
    // What draws more than everything that flows does not run.
    for (LoadIndex i = 0; i < tracks.size(); ++i)
        if (doubtful(i) && tracks[i].drawn_a > most_booked_a(leg)) unsettle(i);
    if (!overbooked(leg)) return;
    for (LoadIndex i = 0; i < tracks.size(); ++i)
        if (doubtful(i) && tracks[i].settled > 0) unsettle(i);
}

/// After that it can only be loads' own meters that tell of more than flows.
void Marshal::Core::doubt_own_meters(Leg leg) {
    if (!overbooked(leg)) return;
    for (LoadIndex i = 0; i < tracks.size(); ++i) {
        if (!loads[i].legs.contains(leg) || !tells_itself(i) || tracks[i].settled == 0) continue;
        own[i]->doubted = true;
        unsettle(i);
    }
}

}  // namespace ampmarshal::rules
