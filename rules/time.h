// Time as the rules see it. The rules never ask what time it is: every event brings its own instant, measured
// by the caller on one monotonic clock. That is why the same events always give the same actions, and why a
// simulated year needs no sleep. RigTime deliberately has no now().
#pragma once

#include <chrono>

namespace ampmarshal::rules {

using Duration = std::chrono::microseconds;

struct RigTime {
    using duration = Duration;
    using rep = duration::rep;
    using period = duration::period;
    using time_point = std::chrono::time_point<RigTime, duration>;
    static constexpr bool is_steady = true;
};

/// A moment on the caller's monotonic clock; only differences mean anything.
using Instant = RigTime::time_point;

constexpr double seconds(Duration d) {
    return std::chrono::duration<double>(d).count();
}

/// Rounded to whole microseconds. `s` must be finite and well inside +-290,000 years.
constexpr Duration from_seconds(double s) {
    return Duration(static_cast<Duration::rep>(s * 1e6 + (s < 0 ? -0.5 : 0.5)));
}

}  // namespace ampmarshal::rules
