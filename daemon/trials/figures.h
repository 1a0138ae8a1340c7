// How figures are written, the same in the terminal, on the page and in notes.
#pragma once

#include <optional>
#include <string>

#include "daemon/trials/statistics.h"

namespace ampmarshal::daemon::trials {

/// With a fixed number of decimals; what rounds to nothing has no sign.
std::string figure(double value, int decimals);
/// "31.2 to 33.9"
std::string figure(const Interval& interval, int decimals);
/// "5 trials", "1 trial"
std::string count(std::size_t n, const std::string& thing);

}  // namespace ampmarshal::daemon::trials
