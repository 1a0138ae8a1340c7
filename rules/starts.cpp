// Which load was it? A LegWatch reports that a leg's current went from one level to another. Here the step is
// held against everything that could have caused it: loads that may start, loads that run and may stop, loads
// just told to stop. What fits exactly one explanation is booked. Of several loads that may have stopped, the
// one whose next start is the worst is booked as stopped: whichever it really was, its start is reserved.
#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr double match_share = 0.2;       ///< a step matches a current within a fifth of it ...
constexpr double match_least_a = 0.8;     ///< ... or this, whichever is more
constexpr double wide_match_share = 0.5;  ///< for a start that was just commanded and has no rival
constexpr double peak_share = 1.4;        ///< a healthy peak is at most this much above the expected one ...
constexpr double peak_slack_a = 2.0;      ///< ... plus this
constexpr double peak_least_share = 0.3;  ///< a meter that sees peaks sees at least this much of one
constexpr double run_up_share = 1.5;      ///< a start that is over draws less than its peak by more than this
constexpr double clearly_closer = 0.5;    ///< the best match wins if it is twice as close as the next ...
constexpr double peak_match_share = 0.4;  ///< peaks of the same load differ this much
constexpr double closer_by = 0.3;         ///< ... and by this much: noise alone makes one of two twins closer
constexpr double least_judged_a = 1.5;    ///< smaller loads drown in noise: not judged for obedience
constexpr double obeyed_share = 0.2;      ///< a load that draws less than it used to has still obeyed
constexpr double nothing_share = 0.1;     ///< of its running current: who draws less has not started
constexpr Duration try_again_after = 5min;
constexpr Duration slow_for_starts =
    500ms;  ///< a healthy start is over between two readings (0.1 to 0.5 s: common practice)
constexpr Duration back_within = 2s;   ///< of the supply: what has no switch, even behind a slow contact
constexpr Duration judged_later = 1s;  ///< a slow relay gets this much longer before it is called disobedient

/// One explanation of a step: this load gains or loses stages.
struct Hypothesis {
    LoadIndex load;
    std::size_t settled_after;
    double rise_a;        ///< expected; negative for a stop
    bool in_flight;       ///< it was just commanded, so it is far likelier than what happens by itself
    bool alone = true;    ///< false: the peak was too high for this load; together with another it may fit
    double peak_off = 0;  ///< distance of the peak from this load's, where the meter sees peaks
};

/// 0 is a perfect match, 1 the edge of what still counts as one.
double distance(double seen_a, double expected_a, double share = match_share) {
    return std::abs(seen_a - expected_a) / std::max(match_least_a, share * std::abs(expected_a));
}

bool clearly_closer_than(double own, double rival) {
    return own <= clearly_closer * rival && rival - own >= closer_by;
}

bool stops(const Hypothesis& h, double seen_a) {
    return h.rise_a < 0 && distance(seen_a, h.rise_a) <= 1;
}

/// A start that nobody commanded and that shows only as a part of a step, and not beside one that was: as it
/// may never have been, it stays reserved.
bool guessed_start(const Hypothesis& h, const Hypothesis& beside) {
    return h.rise_a > 0 && !h.in_flight && !(beside.rise_a > 0 && beside.in_flight);
}

/// What the load would draw to start again, if it was this.
double next_start_a(const Hypothesis& h, const std::vector<Load>& loads) {
    return loads[h.load].start_a(h.settled_after);
}

/// Collects hypotheses without allocating; more than it holds would only add ambiguity.
class Hypotheses {
  public:
    void add(const Hypothesis& h) {
        if (count_ < all_.size()) all_[count_++] = h;
    }
    const Hypothesis* begin() const { return all_.data(); }
    const Hypothesis* end() const { return all_.data() + count_; }

    /// The one that matches clearly better than every other load's, if any.
    const Hypothesis* single(double seen_a, bool in_flight_only, double share) const {
        const auto counts = [&](const Hypothesis& h) { return h.alone && (h.in_flight || !in_flight_only); };
        const Hypothesis* best = nullptr;
        for (const Hypothesis& h : *this) {
            if (counts(h) && distance(seen_a, h.rise_a, share) <= 1 &&
                (!best || distance(seen_a, h.rise_a, share) < distance(seen_a, best->rise_a, share)))
                best = &h;
        }
        if (!best) return nullptr;
        for (const Hypothesis& h : *this) {
            if (!counts(h) || h.load == best->load) continue;
            const double rival = distance(seen_a, h.rise_a, share);
            const double own = distance(seen_a, best->rise_a, share);
            if (rival <= 1 && !clearly_closer_than(own, rival)) return nullptr;
        }
        return best;
    }

    /// The same load may as well have stopped altogether, not only its last stage: then all of its next start
    /// is reserved, and nothing is expected of what may not run.
    const Hypothesis* whole_stop(const Hypothesis& of, double seen_a) const {
        const auto found = std::find_if(begin(), end(), [&](const Hypothesis& h) {
            return h.load == of.load && h.settled_after < of.settled_after && stops(h, seen_a) &&
                   !clearly_closer_than(distance(seen_a, of.rise_a), distance(seen_a, h.rise_a));
        });
        return found == end() ? &of : found;
    }

    /// Did it stop as another load started that was just commanded?
    bool stops_beside_start(const Hypothesis& one, double seen_a) const {
        return one.rise_a < 0 && !one.in_flight && std::any_of(begin(), end(), [&](const Hypothesis& start) {
                   return start.in_flight && start.rise_a > 0 && start.load != one.load &&
                          distance(seen_a, one.rise_a + start.rise_a) <= clearly_closer;
               });
    }

    /// Beside the start that was just commanded, another load may have stopped: then that one, if its next
    /// start is worse.
    const Hypothesis* safest_stop(const Hypothesis* best, double seen_a,
                                  const std::vector<Load>& loads) const {
        if (best->in_flight) return best;
        const Hypothesis* safest = whole_stop(*best, seen_a);
        for (const Hypothesis& h : *this) {
            if (stops_beside_start(h, seen_a) && next_start_a(h, loads) > next_start_a(*safest, loads))
                safest = &h;
        }
        return safest;
    }

    /// Could another load have been it? One that was just commanded may draw less than it used to.
    bool rivals(const Hypothesis& best, double seen_a) const {
        return std::any_of(begin(), end(), [&](const Hypothesis& h) {
            const bool tapered = h.in_flight && h.settled_after == 1 && seen_a > 0 && h.rise_a > seen_a;
            return h.load != best.load && (tapered || (h.alone && distance(seen_a, h.rise_a) <= 1));
        });
    }

    /// Alone, or while another load started or stopped? What was told to stop is judged by the level.
    bool may_have_stopped(const Hypothesis& one, double seen_a) const {
        if (one.rise_a >= 0 || one.in_flight) return false;
        return stops(one, seen_a) || std::any_of(begin(), end(), [&](const Hypothesis& h) {
                   return h.load != one.load && distance(seen_a, one.rise_a + h.rise_a) <= clearly_closer;
               });
    }

    /// May it have been this stop, and not the one that is booked? Of the same load, all of it and not only
    /// its last stage: if that comes closer, as another load started by itself.
    bool may_be_instead(const Hypothesis& one, const Hypothesis& booked, double seen_a) const {
        if (one.load != booked.load) return may_have_stopped(one, seen_a);
        return one.settled_after < booked.settled_after && std::any_of(begin(), end(), [&](const auto& h) {
                   return h.load != one.load && h.rise_a > 0 &&
                          distance(seen_a, one.rise_a + h.rise_a) < distance(seen_a, booked.rise_a);
               });
    }

    bool any_match(double seen_a) const {
        return std::any_of(begin(), end(),
                           [&](const Hypothesis& h) { return h.alone && distance(seen_a, h.rise_a) <= 1; });
    }

    /// Of several loads that may have stopped, the one whose next start is the worst: alone, or if none did
    /// alone, beside the start of one that was just commanded. None if one of them was told to: whether it
    /// did shows on the level.
    const Hypothesis* worst_stop(double seen_a, const std::vector<Load>& loads) const {
        const Hypothesis* worst = nullptr;
        const Hypothesis* worst_beside = nullptr;
        for (const Hypothesis& h : *this) {
            const bool alone = stops(h, seen_a);
            if (alone && h.in_flight) return nullptr;
            if (alone && (!worst || next_start_a(h, loads) > next_start_a(*worst, loads))) worst = &h;
            const bool beside = stops_beside_start(h, seen_a);
            if (beside && (!worst_beside || next_start_a(h, loads) > next_start_a(*worst_beside, loads)))
                worst_beside = &h;
        }
        return worst ? worst : worst_beside;
    }

    /// The leg rose before it fell, so that no stop alone was it. The load that may have stopped beside what
    /// rose: a start, or whatever stood as high as the leg did. Of several, the one whose next start is the
    /// worst; none if one of them was told to.
    const Hypothesis* stop_beside_rise(double seen_a, const Step& step,
                                       const std::vector<Load>& loads) const {
        const double rose_a = step.peak_a - step.baseline_a;
        const auto left_by = [&](const Hypothesis& stop) { return seen_a - stop.rise_a; };
        const auto can_be = [&](const Hypothesis& stop) {
            return distance(rose_a, left_by(stop)) <= 1 ||
                   (rose_a > left_by(stop) && std::any_of(begin(), end(), [&](const Hypothesis& start) {
                        return start.rise_a > 0 && start.load != stop.load &&
                               distance(left_by(stop), start.rise_a) <= 1;
                    }));
        };
        const Hypothesis* worst = nullptr;
        for (const Hypothesis& h : *this) {
            if (h.rise_a >= 0 || left_by(h) <= 0 || !can_be(h)) continue;
            if (h.in_flight) return nullptr;
            if (!worst || next_start_a(h, loads) > next_start_a(*worst, loads)) worst = &h;
        }
        return worst;
    }

    /// Do all that were told to stop, together, make the step?
    bool told_to_stop_make(double seen_a) const {
        double sum_a = 0;
        std::size_t told = 0;
        for (const Hypothesis& h : *this) {
            if (!h.in_flight || h.rise_a >= 0) continue;
            sum_a += h.rise_a;
            ++told;
        }
        return told > 1 && distance(seen_a, sum_a) <= clearly_closer;
    }

    /// Another load that was not commanded, but whose peak is that of the step, while the peak of `best` is
    /// not.
    const Hypothesis* better_by_peak(const Hypothesis& best, double seen_a) const {
        if (best.peak_off <= 1) return nullptr;
        const Hypothesis* better = nullptr;
        for (const Hypothesis& h : *this) {
            const bool fits = h.rise_a > 0 && h.alone && h.peak_off <= 0.5 && distance(seen_a, h.rise_a) <= 1;
            if (!fits || h.load == best.load) continue;
            if (better && better->load != h.load) return nullptr;
            better = &h;
        }
        return better;
    }

    /// Could two healthy starts have come to this together? One of them was just commanded, unless the meter
    /// is so slow that any two may fall between its readings.
    bool two_starts_make(double seen_a, bool slow_meter) const {
        for (const Hypothesis& a : *this)
            for (const Hypothesis& b : *this)
                if (a.load != b.load && (a.in_flight || slow_meter) &&
                    distance(seen_a, a.rise_a + b.rise_a) <= clearly_closer)
                    return true;
        return false;
    }

    /// A stranger's start, where one that was commanded may just be smaller than it used to be, or, beside
    /// another's, comes to as much.
    bool commanded_may_make(const Hypothesis& stranger, double seen_a) const {
        if (single(seen_a, true, wide_match_share)) return true;
        const double own = distance(seen_a, stranger.rise_a);
        const auto both_make = [&](const Hypothesis& a, const Hypothesis& b) {
            const double together = distance(seen_a, a.rise_a + b.rise_a);
            return a.in_flight && a.load != b.load && a.rise_a > 0 && b.rise_a > 0 &&
                   together <= clearly_closer && !clearly_closer_than(own, together);
        };
        return std::any_of(begin(), end(), [&](const Hypothesis& a) {
            return std::any_of(begin(), end(), [&](const Hypothesis& b) { return both_make(a, b); });
        });
    }

    /// Two different loads that together make the step, if exactly one pair does.
    std::optional<std::pair<Hypothesis, Hypothesis>> pair(double seen_a, bool in_flight_only) const {
        std::optional<std::pair<Hypothesis, Hypothesis>> found;
        for (const Hypothesis* a = begin(); a != end(); ++a) {
            for (const Hypothesis* b = a + 1; b != end(); ++b) {
                if (in_flight_only && !(a->in_flight && b->in_flight)) continue;
                // Beside a stop the peak is all the other's.
                if ((a->rise_a > 0) != (b->rise_a > 0) && !(a->alone && b->alone)) continue;
                if (a->load == b->load || distance(seen_a, a->rise_a + b->rise_a) > clearly_closer) continue;
                if (found) return std::nullopt;
                found.emplace(*a, *b);
            }
        }
        return found;
    }

  private:
    std::array<Hypothesis, 32> all_{};
    std::size_t count_ = 0;
};

double run_between(const Load& load, std::size_t from, std::size_t to) {
    double sum_a = 0;
    for (std::size_t s = from; s < to; ++s)
        sum_a += load.stages[s].running_a;
    return sum_a;
}

/// A start must have the right peak, too: not too high, and, where the meter is fast enough, not missing.
void add_rises(Hypotheses& all, const Load& load, LoadIndex i, std::size_t settled, bool in_flight,
               double peak_rise_a, bool sees_peaks) {
    double before_a = 0;
    double peak_a = 0;
    for (std::size_t s = settled; s < load.stages.size(); ++s) {
        peak_a = std::max(peak_a, before_a + load.stages[s].start_a);
        before_a += load.stages[s].running_a;
        const bool alone = peak_rise_a <= peak_share * peak_a + peak_slack_a;
        const double least_a = before_a + peak_least_share * std::max(0.0, peak_a - before_a) - match_least_a;
        const bool tapers = in_flight && !load.starts_hard();  // and may draw less than ever
        if (sees_peaks && !tapers && peak_rise_a < (1 - match_share) * least_a) continue;
        const double peak_off = sees_peaks ? distance(peak_rise_a, peak_a, peak_match_share) : 0;
        all.add({i, s + 1, before_a, in_flight, alone, peak_off});
    }
}

void add_falls(Hypotheses& all, const Load& load, LoadIndex i, const Track& track) {
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

}  // namespace

/// What the rest of its start could come to.
bool Marshal::Core::may_start_to(LoadIndex i, Leg leg, double excess_a) const {
    return loads[i].legs.contains(leg) && standing(i) &&
           excess_a <= peak_share * loads[i].start_a(tracks[i].settled) + peak_slack_a;
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

Duration Marshal::Core::stall_after(LoadIndex i, Leg leg) const {
    return loads[i].start_window() + 2 * rig.timing.meter_period[leg];
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

/// A load of 240 V moves both legs. Has the other one been read since then, and stays where it was?
bool Marshal::Core::other_leg_denies(LoadIndex i, Leg leg, Instant since) const {
    if (loads[i].legs.count() < 2) return false;
    const Leg other = other_than(leg);
    const LegBooks& books = legs[other];
    return !silent(other) && !books.watch.moving() && *books.heard_at >= since &&
           books.moved_at + rig.timing.meter_period[other] < since;
}

/// A load has moved, later than `since`, and it is known which: on this leg that is no news, and not to be
/// taken for another's. False if the leg has moved already.
bool Marshal::Core::foretell(Leg leg, double change_a, Instant since) {
    const Duration period = rig.timing.meter_period[leg];
    LegBooks& books = legs[leg];
    if (!books.watch.moving() && books.moved_at > since) return false;
    books.told_a += change_a;
    books.told_until = now + 2 * period + rig.timing.decision;
    return true;
}

/// Does a load that may start draw so much more, with no higher a peak?
bool Marshal::Core::may_be_start(Leg leg, const Step& step) const {
    Hypotheses starts;
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (loads[i].legs.contains(leg) && standing(i))
            add_rises(starts, usual(i), i, tracks[i].settled, false, step.peak_a - step.baseline_a, false);
    return starts.any_match(step.rise_a());
}

/// Amid another's rise, or a reading that was wrong, what a load was told to give up seemed to have fallen,
/// and was taken off the level. If the leg is now as much above that, it has not. Returns whether that
/// explains it. Where a start may have been the rise, and is all that is left of it, the load is told again
/// all the same, but not accused.
bool Marshal::Core::still_flows(Leg leg, const Step& step) {
    bool any = false;
    for (LoadIndex i = 0; i < tracks.size(); ++i) {
        auto& relief = tracks[i].relief;
        if (!relief || !relief->seen || !relief->amid_rise || !loads[i].legs.contains(leg)) continue;
        if (distance(step.rise_a(), relief->drawn_a) > 1) continue;
        if (may_be_start(leg, step)) tracks[i].sure = false;
        relief->seen = relief->obeyed = relief->amid_rise = false;
        for (Leg on : all_legs)
            relief->before_a[on] = legs[on].watch.now_a();
        any = true;
    }
    return any;
}

/// Nobody is known to have stopped. It may have been a load whose relay had closed by itself, or stuck: it
/// rests from here.
void Marshal::Core::rest_unknown(Leg leg, double fall_a) {
    for (LoadIndex i : by_rank) {
        const bool known = may_be_on(i) || tells_itself(i) || !loads[i].legs.contains(leg);
        if (!known && distance(fall_a, usual(i).running_a()) <= 1) tracks[i].stopped_at = now;
    }
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
    return step.rise_a() > 0 && back_at && step.began - *back_at <= back_within;
}

void Marshal::Core::explain(Leg leg, const Step& step, bool whole) {
    Hypotheses all, denied;  ///< these are stops that the loads' own meters do not show
    const Duration period = rig.timing.meter_period[leg];
    const double told_a = legs[leg].told_a;
    const double rise_a = step.rise_a() - told_a;
    if (told_a != 0 && std::abs(rise_a) <= legs[leg].watch.least_step_a()) return;  // all is known already
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        if (!loads[i].legs.contains(leg) || other_leg_denies(i, leg, step.began)) continue;
        const bool still = unmoved(i, step.began);
        add_falls(still ? denied : all, loads[i], i, tracks[i]);
        if (still) continue;
        const bool fast = sees_peak(legs[leg].holds_peaks, period, loads[i].start_window());
        if (standing(i))
            add_rises(all, usual(i), i, tracks[i].settled, tracks[i].stage_due.has_value(),
                      step.peak_a - step.baseline_a, fast && told_a == 0);
        else if (tracks[i].rises_until)
            all.add({i, tracks[i].settled, setting_a(i) - tracks[i].drawn_a, true});
    }
    const auto book = [&](const Hypothesis& h, double own_a) {
        if (loads[h.load].legs.count() == 2) foretell(other_than(leg), own_a, step.began - period);
        if (h.rise_a > 0) {
            const bool so_far = tracks[h.load].settled == 0 || tracks[h.load].sure;
            accept_rise(h.load, h.settled_after, own_a, step);
            note_sure(h.load, so_far && (h.in_flight ||
                                         !(all.rivals(h, rise_a) || idler_starts(leg, rise_a, h.load))));
        } else {
            accept_fall(h.load, h.settled_after, -h.rise_a);
            leave_unknown(leg, -rise_a, step.began, h.load);
            tracks[h.load].surely_fell = stops(h, rise_a) && !all.rivals(h, rise_a);
            for (const Hypothesis& other : all)
                if (all.may_be_instead(other, h, rise_a)) doubt(other.load, h.load);
        }
    };
    // What was just commanded is far likelier than what happens by itself: first one such load, then several.
    const Hypothesis* best = all.single(rise_a, true, match_share);
    if (const auto* other = best && rise_a > 0 ? all.better_by_peak(*best, rise_a) : nullptr) best = other;
    if (!best && all.told_to_stop_make(rise_a)) {
        for (const Hypothesis& h : all)
            if (h.in_flight && h.rise_a < 0) book(h, h.rise_a);
        return;
    }
    auto two = best ? std::nullopt : all.pair(rise_a, true);
    if (!best && !two) best = all.single(rise_a, false, match_share);
    if (best && rise_a > 0 && !best->in_flight &&
        (came_with_supply(leg, step) || all.commanded_may_make(*best, rise_a)))
        best = nullptr;
    if (best && rise_a < 0) best = all.safest_stop(best, rise_a, loads);
    const bool rivals = !best && all.any_match(rise_a);
    if (!best && !two && !rivals) two = all.pair(rise_a, false);
    if (!best && !two && !rivals) best = all.single(rise_a, true, wide_match_share);
    if (best) {
        if (best->rise_a > 0 && whole)
            learn(best->load, best->settled_after, step, period, legs[leg].holds_peaks);
        book(*best, rise_a);
    } else if (two) {
        if (!guessed_start(two->first, two->second)) book(two->first, two->first.rise_a);
        if (!guessed_start(two->second, two->first)) book(two->second, two->second.rise_a);
    } else if (rise_a < 0) {
        const Hypothesis* stop = all.worst_stop(rise_a, loads);
        const Hypothesis* frozen = stop ? nullptr : denied.worst_stop(rise_a, loads);
        if (frozen) own[frozen->load]->doubted = true;
        if (!stop) stop = frozen ? frozen : all.stop_beside_rise(rise_a, step, loads);
        if (stop) return book(*stop, stop->rise_a);
        for (const Hypothesis& h : all)
            if (h.rise_a < 0 && !h.in_flight) doubt(h.load, h.load);
        rest_unknown(leg, -rise_a);
    } else if (!rivals) {
        check_stall(leg, rise_a, step.began);
    }
}

/// Could this be the start of a load that is taken to run, and may have stopped unknown? Or of a compressor
/// whose fan runs unknown?
bool Marshal::Core::idler_starts(Leg leg, double rise_a, LoadIndex but) const {
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const Track& track = tracks[i];
        if (i == but || !loads[i].legs.contains(leg)) continue;
        const bool doubted = track.settled > 0 && (!track.sure || track.or_else);
        const std::size_t stages = loads[i].stages.size();
        for (std::size_t to = 1; doubted && to <= stages; ++to)
            if (distance(rise_a, run_between(usual(i), 0, to)) <= 1) return true;
        for (std::size_t from = track.settled + 1; standing(i) && from < stages; ++from)
            if (distance(rise_a, run_between(usual(i), from, stages)) <= 1) return true;
    }
    return false;
}

/// Could this fall, which is booked to one load, be another's that was told to stop, and ran unknown? Then it
/// was a part of what nobody was known to draw before, and the one that is booked may run on unknown.
void Marshal::Core::leave_unknown(Leg leg, double fall_a, Instant began, LoadIndex booked) {
    const auto may_be = [&](LoadIndex i) {
        const Track& track = tracks[i];
        const bool told = track.settles_at && began < *track.settles_at && !track.relief;
        if (i == booked || !told || !loads[i].legs.contains(leg)) return false;
        for (std::size_t to = 1; to <= loads[i].stages.size(); ++to)
            if (distance(fall_a, run_between(usual(i), 0, to)) <= 1) return true;
        return false;
    };
    double& unknown_a = tracks[booked].unknown_at_a;
    for (LoadIndex i = 0; i < loads.size(); ++i)
        if (may_be(i)) unknown_a = std::max(0.0, unknown_a - fall_a);
}

/// A start is booked: was it surely this load's? Of the loads that it shared a stop with, all run now.
void Marshal::Core::note_sure(LoadIndex i, bool sure) {
    tracks[i].sure = sure;
    tracks[i].or_else.reset();
    for (Track& track : tracks)
        if (track.or_else == i) track.or_else.reset();
}

/// A stop may have been this load's, and is booked to another, or to nobody.
void Marshal::Core::doubt(LoadIndex i, LoadIndex booked) {
    Track& track = tracks[i];
    if (booked == i || (track.or_else && track.or_else != booked)) track.sure = false;
    track.or_else = booked;
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
    // The last stage alone: those before it were not told from others', and run as well.
    const double last_a = run_between(usual(i), settled - 1, settled);
    if (distance(rise_a, last_a) < distance(rise_a, expected_a)) track.drawn_a += expected_a - last_a;
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
    track.booked_at = now;
    track.stage_due.reset();
    track.stopped_at = now;
}

void Marshal::Core::unsettle(LoadIndex i) {
    Track& track = tracks[i];
    track.settled = 0;
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

void Marshal::Core::check_stall(Leg leg, double excess_a, Instant began) {
    const LegWatch& watch = legs[leg].watch;
    // Something smaller may have started before it, in the same movement.
    const Duration lasted = now - watch.half_up_since();
    Hypotheses healthy;
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const Track& track = tracks[i];
        if (!loads[i].legs.contains(leg) || !standing(i)) continue;
        // One that was just switched on may have tapered off, and draw no more than this.
        if (track.stage_due && !loads[i].starts_hard() && excess_a <= usual(i).running_a()) return;
        // A fan that was lost in the noise, or not told from another's, may run already.
        for (std::size_t settled = track.settled; settled < loads[i].stages.size(); ++settled)
            add_rises(healthy, usual(i), i, settled, track.stage_due.has_value(),
                      watch.peak_a() - watch.level_a(), false);
    }
    // A rotor that is locked draws on what it began with.
    const double before_a = watch.moving() ? watch.level_a() : watch.level_a() - excess_a;
    if (watch.peak_a() - before_a >= run_up_share * excess_a) return;
    if (healthy.any_match(excess_a)) return;
    if (healthy.two_starts_make(excess_a, rig.timing.meter_period[leg] >= slow_for_starts)) return;
    std::optional<LoadIndex> only;
    int suspects = 0;
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        if (!loads[i].controlled() || !may_stall_at(i, leg, excess_a) || unmoved(i, began)) continue;
        if (lasted < stall_after(i, leg)) continue;
        ++suspects;
        only = i;
    }
    // Of one whose fan may have been another's, the compressor may be, too.
    const bool named = suspects == 1 && (tracks[*only].settled == 0 || tracks[*only].sure);
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

/// A load was told to draw so much less, or nothing. Until the meter shows it, it is counted on, and then
/// judged.
void Marshal::Core::expect_fall(LoadIndex i, double drawn_a) {
    const Load& load = loads[i];
    Track& track = tracks[i];
    if (drawn_a <= 0) return;
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

bool Marshal::Core::perhaps_runs(LoadIndex i, const PerLeg<double>& unknown_a, double rest_a) const {
    const Track& track = tracks[i];
    if (!can_shed(i) || !standing(i) || track.stage_due || tells_itself(i)) return false;
    return std::all_of(std::begin(all_legs), std::end(all_legs), [&](Leg leg) {
        return !loads[i].legs.contains(leg) ||
               unknown_a[leg] - track.unknown_at_a >= (1 - match_share) * rest_a;
    });
}

/// What flows and is booked to nobody may well be drawn by a load that is on and was not seen to start: it
/// ran when this program came up, or its start fell together with something else. The lower ranks are
/// suspected first, so that none of them is spared at a higher one's cost.
void Marshal::Core::note_perhaps() {
    const bool in_motion = any_moving() || stop_in_flight();
    PerLeg<double> left_a{{unknown_a(Leg::l1), unknown_a(Leg::l2)}};
    for (auto i = by_rank.rbegin(); i != by_rank.rend(); ++i) {
        Track& track = tracks[*i];
        const double rest_a = total_run_a(*i) - track.drawn_a;
        const double before_a = std::exchange(track.perhaps_a, 0.0);
        if (in_motion) {
            if (can_shed(*i) && standing(*i)) track.perhaps_a = std::min(before_a, rest_a);
        } else if (perhaps_runs(*i, left_a, rest_a)) {
            track.perhaps_a = rest_a;
            add(left_a, loads[*i].legs, -rest_a);
        }
    }
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
    // A charger tapers and a heater's own thermostat may have stopped it unseen: there the switch's word
    // counts.
    if (tracks[i].reported == false && !load.starts_hard()) return false;
    const Leg leg = load.legs.first();
    if (unknown_a(leg) - tracks[i].unknown_at_a < 0.5 * relief.drawn_a) return false;
    for (LoadIndex other : by_rank) {
        const double idle_a = run_between(loads[other], tracks[other].settled, loads[other].stages.size());
        if (other != i && standing(other) && loads[other].legs.contains(leg) &&
            distance(relief.drawn_a, idle_a) <= 1)
            return false;
    }
    return true;
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

/// It runs whatever it is told, and is counted as what it draws until a person has looked.
void Marshal::Core::call_stuck(LoadIndex i, double drawn_a) {
    Track& track = tracks[i];
    track.stuck = true;
    track.settled = stages_at(i, drawn_a);  // the rest of it may start yet
    track.drawn_a = drawn_a;
    track.lockout = Lockout::disobedience;
    raise(AlertKind::disobedience, i, {.kind = ReasonKind::locked_out_disobedience, .needed_a = drawn_a});
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
        if (load.control != Control::switched || track.settled > 0) continue;
        // A switched load should have started. If the leg has risen by about as much, it did, unrecognised.
        // One that was found on started long ago.
        const double rise_a = tells_itself(i) ? own[i]->watch.now_a()
                                              : std::min(legs[leg].watch.now_a() - track.granted_at_a[leg],
                                                         uncontrolled_a()[leg]);
        if (rise_a >= (1 - wide_match_share) * load.running_a()) {
            track.settled = load.stages.size();
            track.drawn_a = std::min(rise_a, load.running_a());
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
