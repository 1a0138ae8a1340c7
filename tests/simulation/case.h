// One case of the simulation: a rig, what its owner believes of it, the faults, and how long it lasts. All of
// it follows from a seed, and can then be narrowed to fewer loads, fewer faults and a shorter time, to find
// what a failure really needs. The same case always gives the same run.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "daemon/configuration.h"
#include "tests/simulation/faults.h"

namespace ampmarshal::tests {

/// The stated error of what an owner writes down of a load: what it draws once it runs, to either side, and
/// the peak of its start. 97 % of a ceiling may be used, so a start may be 1 % more than written, beside 2 %
/// for the meter. More than the truth is always safe.
inline constexpr double running_error = 0.10;
inline constexpr double start_too_low = 0.01;
inline constexpr double start_too_high = 0.20;

struct Case {
    std::uint64_t seed;
    rules::Duration time;
    virtual_rig::RigPlan plan;
    bool wireless;
    bool healthy;  ///< drawn without any fault, so that stricter rules hold
    struct Believed {
        double running;  ///< times the truth
        double start;
    };
    std::vector<Believed> believed;  ///< of each load
    std::vector<Fault> faults;
};

/// After the last fault there is at least this much left, for the return to normal.
inline constexpr rules::Duration calm_after = std::chrono::minutes(90);

Case draw_case(std::uint64_t seed, rules::Duration time);

/// Only these loads (the base load stays) and faults, by their names and numbers. A fault of a load that is
/// gone goes too.
Case with_loads(const Case& whole, const std::vector<std::string>& names);
Case with_faults(const Case& whole, const std::vector<std::size_t>& numbers);

daemon::Configuration configuration_of(const Case& c);

/// The same as a file for the daemon, for a person who wants to look at it.
std::string configuration_file(const Case& c);

}  // namespace ampmarshal::tests
