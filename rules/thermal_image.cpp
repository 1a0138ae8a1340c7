#include "rules/thermal_image.h"

#include <cmath>

namespace ampmarshal::rules {

double ThermalImage::settles_at(double current_a) const {
    const double r = current_a / pickup_a;
    return r * r;
}

double ThermalImage::after(double theta, double current_a, Duration held_for) const {
    const double end = settles_at(current_a);
    return end + (theta - end) * std::exp(-seconds(held_for) / seconds(tau));
}

std::optional<Duration> ThermalImage::time_to_trip(double theta, double current_a) const {
    if (theta >= 1) return Duration::zero();
    const double end = settles_at(current_a);
    if (end <= 1) return std::nullopt;
    return from_seconds(seconds(tau) * std::log((end - theta) / (end - 1)));
}

}  // namespace ampmarshal::rules
