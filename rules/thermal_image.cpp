#include "rules/thermal_image.h"

#include <cmath>

namespace ampmarshal::rules {

std::optional<Duration> ThermalImage::time_to_trip(double theta, double current_a) const {
    if (theta >= 1) return Duration::zero();
    const double end = settles_at(current_a);
    if (end <= 1) return std::nullopt;
    return from_seconds(seconds(tau) * std::log((end - theta) / (end - 1)));
}

}  // namespace ampmarshal::rules
