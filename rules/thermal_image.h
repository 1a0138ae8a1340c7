// A thermal image: what a bimetal strip, a fuse or a winding remembers of the current so far. It warms
// towards the square of the current and trips at 1:
//
//     dtheta/dt = ((I / I_pickup)^2 - theta) / tau
//
// This is the first-order model of IEC 60255-149 (earlier 60255-8). For a current held constant the equation
// has an exact solution, and that is what is used here: no integration steps, so no step error.
#pragma once

#include <cmath>
#include <optional>

#include "rules/time.h"

namespace ampmarshal::rules {

struct ThermalImage {
    double pickup_a;  ///< the current that is carried forever and just reaches theta = 1; > 0
    Duration tau;     ///< time constant; > 0

    /// theta after `held_for` at the constant current `current_a`, starting from `theta`.
    double after(double theta, double current_a, Duration held_for) const {
        const double end = settles_at(current_a);
        const double lasts = held_for == Duration::zero() ? 1 : std::exp(-seconds(held_for) / seconds(tau));
        return end + (theta - end) * lasts;
    }

    /// Where theta ends if `current_a` flows forever.
    double settles_at(double current_a) const {
        const double r = current_a / pickup_a;
        return r * r;
    }

    /// Time until theta reaches 1 at `current_a`: zero if it is there already, nothing if it never gets
    /// there. IEC 60255-149, hot curve: t = tau ln((r^2 - theta) / (r^2 - 1)), r = I / I_pickup.
    std::optional<Duration> time_to_trip(double theta, double current_a) const;
};

}  // namespace ampmarshal::rules
