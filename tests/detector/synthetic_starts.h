// Starts whose truth is known: the current of a leg on which an air conditioner cycles and other things come
// and go, and what a meter of a given kind makes of it. No part of the rules is in here; the virtual rig's
// random numbers are, so that the same seed gives the same course everywhere.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "adapters/virtual_rig/random.h"
#include "rules/time.h"

namespace ampmarshal::detector {

using rules::Duration;
using rules::Instant;
using virtual_rig::Random;

enum class Motor { fan, compressor };

struct TrueStart {
    Motor motor;
    Instant began;
    Duration lasted;
    double peak_a;  ///< above the level before
};

/// The true current, 200 times a second. In each cycle the fan starts, then the compressor, both run and
/// stop; then something else comes and goes, half the time a water heater, half the time a stranger of any
/// size.
struct Course {
    static constexpr Duration step{5000};

    std::vector<double> current_a;
    std::vector<TrueStart> starts;
    std::vector<Instant> arrivals;  ///< of heaters and strangers
};
Course make_course(std::uint64_t seed, int cycles);

enum class Meter {
    spot,       ///< the current at the moment of the reading
    averaging,  ///< its mean since the reading before
    holding,    ///< the mean, and the highest current since the reading before
};

struct Reading {
    Instant at;
    double current_a;
    std::optional<double> peak_a{};
};
/// With a little noise, in steps of a tenth of an ampere, beginning at a random moment of its period.
std::vector<Reading> readings(const Course& course, Meter meter, Duration period, std::uint64_t seed);

}  // namespace ampmarshal::detector
