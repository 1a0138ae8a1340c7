// The standing worst case: what the legs may have to carry from now on, and whether the source can.
//
// A Prospect is a short trajectory of currents, the same for every limit:
//   1. everything that may start, starts at once, for the longest start window (nothing can be shed inside a
//   start);
//   2. then everything runs, for the time it takes to see that and to shed (meter period + decision + relay).
// `misfit` pushes it through a source's limits. What happens after that is the steady limit's business, and
// depends on what would be shed by then: see decide.cpp.
#pragma once

#include <optional>
#include <span>

#include "rules/reason.h"
#include "rules/source.h"

namespace ampmarshal::rules {

/// Loads join with more margin than they stay with, so that noise around a limit makes nothing flap.
struct Strictness {
    double ceiling;  ///< share of the ceiling that may be used
    double heat;     ///< the highest theta a thermal image may reach
    double steady;   ///< share of the steady limit that may be used
};
inline constexpr Strictness to_join{0.97, 0.92, 0.97};
inline constexpr Strictness to_last{0.98, 0.95, 1.0};  ///< what a load that joins must meet once it runs
inline constexpr Strictness to_stay{1.0, 0.97, 1.0};
/// A load that joins must not have to leave within this.
inline constexpr Duration sustained = std::chrono::minutes(10);

struct Prospect {
    PerLeg<double> measured_a;  ///< what flows this moment
    PerLeg<double> base_a;  ///< the same less what a start in progress has already added of its reservation
    PerLeg<double> peak_a;  ///< sum of the reserved start peaks
    PerLeg<double> running_a;   ///< sum of what the same loads draw once they run
    PerLeg<double> ending_a{};  ///< the part of peak_a that a start under way still has, and soon no more
    Duration ending_after{};    ///< when that part is over; at most `window`
    Duration window{};          ///< how long phase 1 lasts
    Duration reaction{};        ///< how long phase 2 lasts

    /// Negative currents take a reservation out again.
    void reserve(LegSet legs, double start_a, double run_a, Duration start_window);
    /// Something that flows now stops (negative: flows in addition).
    void take_off(LegSet legs, double drawn_a);

    double peak_through(const Limit& limit) const;
    double ending_through(const Limit& limit) const;
    double running_through(const Limit& limit) const;
    double base_through(const Limit& limit) const;
};

/// Sum of a per-leg current over a limit's legs.
double through(const Limit& limit, const PerLeg<double>& current_a);

struct Misfit {
    ReasonKind kind;  ///< start_over_ceiling or start_too_hot
    std::size_t limit;
    double needed_a;
    double available_a;
};

/// The first limit that touches these legs and that the prospect breaks, or nothing if it fits. `theta` holds
/// the state of every image of every limit, in order.
std::optional<Misfit> misfit(const Source& source, std::span<const double> theta, const Prospect& prospect,
                             Strictness strictness, LegSet legs = LegSet::both());

Reason reason_of(const Misfit& misfit);

/// The first limit that touches these legs and does not carry this current for long, by what its images hold
/// now.
std::optional<Misfit> over_steady(const Source& source, std::span<const double> theta,
                                  const PerLeg<double>& current_a, LegSet legs = LegSet::both());

/// Where every image stands after `passed` at what the prospect has flowing. `room` takes the answer, and has
/// as many places as `theta`.
std::span<const double> after_a_while(const Source& source, std::span<const double> theta, const Prospect& p,
                                      Duration passed, std::span<double> room);

/// The highest current that may flow for `window` without an image passing `heat`, or a ceiling being passed.
/// `theta` holds this limit's images.
double most_for(const Limit& limit, std::span<const double> theta, Duration window, Strictness strictness);

}  // namespace ampmarshal::rules
