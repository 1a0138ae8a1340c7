#include "rules/standing.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace ampmarshal::rules {

void Prospect::reserve(LegSet legs, double start_a, double run_a, Duration start_window) {
    add(peak_a, legs, start_a);
    add(running_a, legs, run_a);
    window = std::max(window, start_window);
}

void Prospect::take_off(LegSet legs, double drawn_a) {
    for (Leg leg : all_legs) {
        if (!legs.contains(leg)) continue;
        base_a[leg] = std::max(0.0, base_a[leg] - drawn_a);
        measured_a[leg] = std::max(0.0, measured_a[leg] - drawn_a);
    }
}

double through(const Limit& limit, const PerLeg<double>& current_a) {
    double sum_a = 0;
    for (Leg leg : all_legs)
        if (limit.legs.contains(leg)) sum_a += current_a[leg];
    return sum_a;
}

double Prospect::base_through(const Limit& limit) const {
    return through(limit, base_a);
}

double Prospect::ending_through(const Limit& limit) const {
    // Where what flows already is more than the worst that is foreseen, nothing is known to end.
    const bool foreseen = through(limit, base_a) + through(limit, peak_a) >= through(limit, measured_a);
    return foreseen ? through(limit, ending_a) : 0;
}

double Prospect::peak_through(const Limit& limit) const {
    return std::max(through(limit, measured_a), through(limit, base_a) + through(limit, peak_a));
}

double Prospect::running_through(const Limit& limit) const {
    return through(limit, base_a) + through(limit, running_a);
}

namespace {

/// The highest current that takes an image from `theta` to `heat` in no less than `held_for`.
double most_for(const ThermalImage& image, double theta, Duration held_for, double heat) {
    const double e = std::exp(-seconds(held_for) / seconds(image.tau));
    // No time passes: an image that is too hot already allows only what it carries for ever.
    if (e >= 1)
        return theta <= heat ? std::numeric_limits<double>::infinity() : image.pickup_a * std::sqrt(heat);
    const double end = (heat - theta * e) / (1 - e);
    return end > 0 ? image.pickup_a * std::sqrt(end) : 0.0;
}

/// The highest current that an image which is at `theta` carries for long without passing `heat`. One that
/// has passed it already (a hot day's slow one) carries what it cools at, as long as it does not trip.
double most_for_long(const ThermalImage& image, double theta, double heat) {
    const double cools_at_a = theta < 1 ? image.pickup_a * std::sqrt(heat) : 0;
    return std::max(most_for(image, theta, sustained, heat), cools_at_a);
}

/// What an image makes of a prospect: nothing if it stays under `heat`, else the current that is too much,
/// and the most it allows instead. An image that is already above (a hot day's slow one) is fine as long as
/// it does not trip and is cooling towards a current it can carry.
struct TooHot {
    double needed_a;
    double available_a;
};

std::optional<TooHot> too_hot(const ThermalImage& image, double theta, double peak_a, double ending_a,
                              double running_a, const Prospect& prospect, double heat) {
    // Between where it is and where it heads for it passes nothing that is hotter than both.
    if (std::max(theta, image.settles_at(std::max(peak_a, running_a))) <= heat) return std::nullopt;
    const double after_ending = image.after(theta, peak_a, prospect.ending_after);
    const double after_start =
        image.after(after_ending, peak_a - ending_a, prospect.window - prospect.ending_after);
    const double after_reaction = image.after(after_start, running_a, prospect.reaction);
    const double hottest = std::max(after_start, after_reaction);
    if (hottest <= heat) return std::nullopt;
    if (hottest < 1 && after_reaction <= theta && image.settles_at(running_a) <= heat) return std::nullopt;
    if (after_start > heat) return TooHot{peak_a, most_for(image, theta, prospect.window, heat)};
    return TooHot{running_a, most_for(image, after_start, prospect.reaction, heat)};
}

}  // namespace

double most_for(const Limit& limit, std::span<const double> theta, Duration window, Strictness strictness) {
    double most_a = limit.ceiling_a * strictness.ceiling;
    for (std::size_t i = 0; i < limit.images.size(); ++i)
        most_a = std::min(most_a, most_for(limit.images[i], theta[i], window, strictness.heat));
    return most_a;
}

std::optional<Misfit> misfit(const Source& source, std::span<const double> theta, const Prospect& prospect,
                             Strictness strictness, LegSet legs) {
    std::size_t image = 0;
    for (std::size_t l = 0; l < source.limits.size(); ++l) {
        const Limit& limit = source.limits[l];
        if (!limit.legs.touches(legs)) {
            image += limit.images.size();
            continue;
        }
        const double peak_a = prospect.peak_through(limit);
        const double ending_a = prospect.ending_through(limit);
        const double running_a = prospect.running_through(limit);
        const double ceiling_a = limit.ceiling_a * strictness.ceiling;
        if (peak_a > ceiling_a) return Misfit{ReasonKind::start_over_ceiling, l, peak_a, ceiling_a};
        for (const ThermalImage& own : limit.images) {
            const auto hot =
                too_hot(own, theta[image++], peak_a, ending_a, running_a, prospect, strictness.heat);
            if (hot) return Misfit{ReasonKind::start_too_hot, l, hot->needed_a, hot->available_a};
        }
    }
    return std::nullopt;
}

Reason reason_of(const Misfit& misfit) {
    return {.kind = misfit.kind,
            .limit = misfit.limit,
            .needed_a = misfit.needed_a,
            .available_a = misfit.available_a};
}

std::optional<Misfit> over_steady(const Source& source, std::span<const double> theta,
                                  const PerLeg<double>& current_a, LegSet legs) {
    std::size_t image = 0;
    for (std::size_t l = 0; l < source.limits.size(); ++l) {
        const Limit& limit = source.limits[l];
        const auto own = theta.subspan(image, limit.images.size());
        image += limit.images.size();
        if (!limit.legs.touches(legs)) continue;
        const double needed_a = through(limit, current_a);
        double most_a = to_join.steady * limit.steady_a;
        if (needed_a > most_a) return Misfit{ReasonKind::steady_full, l, needed_a, most_a};
        for (std::size_t i = 0; i < own.size(); ++i)
            most_a = std::min(most_a, most_for_long(limit.images[i], own[i], to_join.heat));
        if (needed_a > most_a) return Misfit{ReasonKind::steady_full, l, needed_a, most_a};
    }
    return std::nullopt;
}

std::span<const double> after_a_while(const Source& source, std::span<const double> theta, const Prospect& p,
                                      Duration passed, std::span<double> room) {
    std::size_t image = 0;
    for (const Limit& limit : source.limits) {
        for (const ThermalImage& own : limit.images) {
            room[image] = own.after(theta[image], p.base_through(limit), passed);
            ++image;
        }
    }
    return room.first(image);
}

}  // namespace ampmarshal::rules
