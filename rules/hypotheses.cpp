#include "rules/hypotheses.h"

#include <algorithm>
#include <cmath>

namespace ampmarshal::rules {

namespace {

constexpr double peak_share = 1.4;        ///< a healthy peak is at most this much above the expected one ...
constexpr double peak_slack_a = 2.0;      ///< ... plus this
constexpr double peak_least_share = 0.3;  ///< a meter that sees peaks sees at least this much of one
constexpr double clearly_closer = 0.5;    ///< the best match wins if it is twice as close as the next ...
constexpr double peak_match_share = 0.4;  ///< peaks of the same load differ this much
constexpr double closer_by = 0.3;         ///< ... and by this much: noise alone makes one of two twins closer
constexpr double most_peak_off = 0.5;  ///< a peak is stated a fifth too high at most: hardly one further off

bool clearly_closer_than(double own, double rival) {
    return own <= clearly_closer * rival && rival - own >= closer_by;
}

/// What the load would draw to start again, if it was this.
double next_start_a(const Hypothesis& h, const std::vector<Load>& loads) {
    return loads[h.load].start_a(h.settled_after);
}

}  // namespace

double distance(double seen_a, double expected_a, double share) {
    return std::abs(seen_a - expected_a) / std::max(match_least_a, share * std::abs(expected_a));
}

bool healthy_peak(double seen_a, double expected_a) {
    return seen_a <= peak_share * expected_a + peak_slack_a;
}

bool stops(const Hypothesis& h, double seen_a) {
    return h.rise_a < 0 && distance(seen_a, h.rise_a) <= 1;
}

double run_between(const Load& load, std::size_t from, std::size_t to) {
    double sum_a = 0;
    for (std::size_t s = from; s < to; ++s)
        sum_a += load.stages[s].running_a;
    return sum_a;
}

bool may_draw(const Load& load, double seen_a) {
    for (std::size_t to = 1; to <= load.stages.size(); ++to)
        if (distance(seen_a, run_between(load, 0, to)) <= 1) return true;
    return false;
}

void Hypotheses::add_rises(const Load& load, LoadIndex i, std::size_t settled, bool in_flight,
                           double peak_rise_a, bool sees_peaks) {
    const bool tapers = in_flight && !load.starts_hard();
    double before_a = 0;
    double peak_a = 0;
    for (std::size_t s = settled; s < load.stages.size(); ++s) {
        peak_a = std::max(peak_a, before_a + load.stages[s].start_a);
        before_a += load.stages[s].running_a;
        const bool alone = healthy_peak(peak_rise_a, peak_a);
        const double least_a = before_a + peak_least_share * std::max(0.0, peak_a - before_a) - match_least_a;
        if (sees_peaks && !tapers && peak_rise_a < (1 - match_share) * least_a) continue;
        const double peak_off = sees_peaks ? distance(peak_rise_a, peak_a, peak_match_share) : 0;
        add({i, s + 1, before_a, in_flight, alone, tapers, peak_off});
    }
}

const Hypothesis* Hypotheses::single(double seen_a, bool in_flight_only, double share) const {
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

const Hypothesis* Hypotheses::whole_stop(const Hypothesis& of, double seen_a) const {
    const auto found = std::find_if(begin(), end(), [&](const Hypothesis& h) {
        return h.load == of.load && h.settled_after < of.settled_after && stops(h, seen_a) &&
               !clearly_closer_than(distance(seen_a, of.rise_a), distance(seen_a, h.rise_a));
    });
    return found == end() ? &of : found;
}

bool Hypotheses::stops_beside_start(const Hypothesis& one, double seen_a) const {
    const auto makes_the_rest = [&](const Hypothesis& start) {
        return start.in_flight && start.rise_a > 0 && start.load != one.load &&
               distance(seen_a - one.rise_a, start.rise_a) <= clearly_closer;
    };
    return one.rise_a < 0 && !one.in_flight && std::any_of(begin(), end(), makes_the_rest);
}

template <class May>
const Hypothesis* Hypotheses::worst_next_start(const std::vector<Load>& loads, May may) const {
    const Hypothesis* worst = nullptr;
    for (const Hypothesis& h : *this)
        if (may(h) && (!worst || next_start_a(h, loads) > next_start_a(*worst, loads))) worst = &h;
    return worst;
}

const Hypothesis* Hypotheses::safest_stop(const Hypothesis* best, double seen_a,
                                          const std::vector<Load>& loads) const {
    if (best->in_flight) return best;
    const Hypothesis* whole = whole_stop(*best, seen_a);
    const Hypothesis* other =
        worst_next_start(loads, [&](const Hypothesis& h) { return stops_beside_start(h, seen_a); });
    return other && next_start_a(*other, loads) > next_start_a(*whole, loads) ? other : whole;
}

bool Hypotheses::rivals(const Hypothesis& best, double seen_a) const {
    return std::any_of(begin(), end(), [&](const Hypothesis& h) {
        const bool tapered = h.in_flight && h.settled_after == 1 && seen_a > 0 && h.rise_a > seen_a;
        return h.load != best.load && (tapered || (h.alone && distance(seen_a, h.rise_a) <= 1));
    });
}

bool Hypotheses::may_have_stopped(const Hypothesis& one, double seen_a) const {
    if (one.rise_a >= 0 || one.in_flight) return false;
    return stops(one, seen_a) || stops_beside_start(one, seen_a) ||
           std::any_of(begin(), end(), [&](const Hypothesis& h) {
               return h.load != one.load && distance(seen_a, one.rise_a + h.rise_a) <= clearly_closer;
           });
}

bool Hypotheses::make_up_for(double whole_a, const Hypothesis& booked, double seen_a) const {
    return std::any_of(begin(), end(), [&](const Hypothesis& start) {
        const double together = distance(seen_a, start.rise_a - whole_a);
        return together <= 1 && !clearly_closer_than(distance(seen_a, booked.rise_a), together);
    });
}

bool Hypotheses::any_match(double seen_a) const {
    return std::any_of(begin(), end(),
                       [&](const Hypothesis& h) { return h.alone && distance(seen_a, h.rise_a) <= 1; });
}

const Hypothesis* Hypotheses::worst_stop(double seen_a, const std::vector<Load>& loads) const {
    const auto alone = [&](const Hypothesis& h) { return stops(h, seen_a); };
    if (std::any_of(begin(), end(), [&](const Hypothesis& h) { return h.in_flight && alone(h); }))
        return nullptr;
    if (const Hypothesis* worst = worst_next_start(loads, alone)) return worst;
    return worst_next_start(loads, [&](const Hypothesis& h) { return stops_beside_start(h, seen_a); });
}

const Hypothesis* Hypotheses::stop_beside_rise(double seen_a, const Step& step,
                                               const std::vector<Load>& loads) const {
    const double rose_a = step.peak_a - step.baseline_a;
    const auto left_by = [&](const Hypothesis& stop) { return seen_a - stop.rise_a; };
    const auto can_be = [&](const Hypothesis& stop) {
        if (stop.rise_a >= 0 || left_by(stop) <= 0) return false;
        return distance(rose_a, left_by(stop)) <= 1 ||
               (rose_a > left_by(stop) && std::any_of(begin(), end(), [&](const Hypothesis& start) {
                    return start.rise_a > 0 && start.load != stop.load &&
                           distance(left_by(stop), start.rise_a) <= 1;
                }));
    };
    if (std::any_of(begin(), end(), [&](const Hypothesis& h) { return h.in_flight && can_be(h); }))
        return nullptr;
    return worst_next_start(loads, can_be);
}

bool Hypotheses::told_to_stop_make(double seen_a) const {
    double sum_a = 0;
    std::size_t told = 0;
    for (const Hypothesis& h : *this) {
        if (!h.in_flight || h.rise_a >= 0) continue;
        sum_a += h.rise_a;
        ++told;
    }
    return told > 1 && distance(seen_a, sum_a) <= clearly_closer;
}

const Hypothesis* Hypotheses::better_by_peak(const Hypothesis& best, double seen_a) const {
    if (best.peak_off <= 1) return nullptr;
    const Hypothesis* better = nullptr;
    for (const Hypothesis& h : *this) {
        const bool fits =
            h.rise_a > 0 && h.alone && h.peak_off <= most_peak_off && distance(seen_a, h.rise_a) <= 1;
        if (!fits || h.load == best.load) continue;
        if (better && better->load != h.load) return nullptr;
        better = &h;
    }
    return better;
}

const Hypothesis* Hypotheses::softer(const Hypothesis& best, double seen_a,
                                     const std::vector<Load>& loads) const {
    const Load& load = loads[best.load];
    if (!best.in_flight || !load.starts_hard() || best.settled_after < load.stages.size()) return nullptr;
    const bool lacks_peak = best.peak_off > most_peak_off;
    const Hypothesis* softer = nullptr;
    for (const Hypothesis& h : *this) {
        if (h.load == best.load || h.rise_a <= 0 || !h.alone || loads[h.load].starts_hard()) continue;
        const double own = distance(seen_a, h.rise_a);
        const bool by_peak =
            !softer && own <= 1 && lacks_peak && clearly_closer_than(h.peak_off, best.peak_off);
        if (by_peak || clearly_closer_than(own, distance(seen_a, (softer ? softer : &best)->rise_a)))
            softer = &h;
    }
    return softer;
}

template <class May>
const Hypothesis* Hypotheses::first_stages(const Hypothesis& start, May may) const {
    const auto found = std::find_if(begin(), end(), [&](const Hypothesis& part) {
        return part.load == start.load && part.rise_a > 0 && part.settled_after < start.settled_after &&
               may(part);
    });
    return found == end() ? nullptr : found;
}

const Hypothesis* Hypotheses::only_part(const Hypothesis& best, double seen_a) const {
    const double whole = distance(seen_a, best.rise_a);
    const auto part_beside = [&](const Hypothesis& part, const Hypothesis& other) {
        const double together = distance(seen_a, part.rise_a + other.rise_a);
        return other.load != best.load && other.rise_a > 0 && other.alone && together <= 1 &&
               !clearly_closer_than(whole, together);
    };
    return first_stages(best, [&](const Hypothesis& part) {
        return std::any_of(begin(), end(), [&](const Hypothesis& other) { return part_beside(part, other); });
    });
}

const Hypothesis* Hypotheses::part_alone(const Hypothesis& start, double seen_a, double within_a) const {
    return first_stages(start, [&](const Hypothesis& part) {
        return part.alone && std::abs(seen_a - part.rise_a) <= within_a;
    });
}

bool Hypotheses::two_make(double seen_a, bool slow_meter, std::optional<LoadIndex> but) const {
    const auto make = [&](const Hypothesis& start, const Hypothesis& other) {
        return start.rise_a > 0 && other.load != start.load && other.load != but &&
               (slow_meter || (start.in_flight && other.rise_a > 0)) &&
               distance(seen_a, start.rise_a + other.rise_a) <= clearly_closer;
    };
    return std::any_of(begin(), end(), [&](const Hypothesis& start) {
        return start.load != but &&
               std::any_of(begin(), end(), [&](const auto& other) { return make(start, other); });
    });
}

bool Hypotheses::three_make(double seen_a, LoadIndex but) const {
    return std::any_of(begin(), end(), [&](const Hypothesis& h) {
        return h.in_flight && h.rise_a > 0 && h.load != but && two_make(seen_a - h.rise_a, true, h.load);
    });
}

bool Hypotheses::hidden_by_start(const Hypothesis& stop, double seen_a) const {
    return stop.rise_a < 0 && seen_a > 0 && std::any_of(begin(), end(), [&](const Hypothesis& start) {
               return start.rise_a > 0 && start.load != stop.load &&
                      distance(seen_a, start.rise_a + stop.rise_a) <= 1;
           });
}

bool Hypotheses::commanded_may_make(const Hypothesis& stranger, double seen_a) const {
    if (single(seen_a, true, wide_match_share)) return true;
    if (std::any_of(begin(), end(), [&](const Hypothesis& h) { return h.tapers && h.rise_a > seen_a; }))
        return true;
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

std::optional<std::pair<Hypothesis, Hypothesis>> Hypotheses::pair(double seen_a, bool in_flight_only) const {
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

}  // namespace ampmarshal::rules
