#include "daemon/trials/figures.h"

#include <array>
#include <cmath>
#include <cstdio>

namespace ampmarshal::daemon::trials {

std::string figure(double value, int decimals) {
    if (std::abs(value) < 0.5 * std::pow(10, -decimals)) value = 0;
    std::array<char, 48> text{};
    std::snprintf(text.data(), text.size(), "%.*f", decimals, value);
    return text.data();
}

std::string figure(const Interval& interval, int decimals) {
    return figure(interval.low, decimals) + " to " + figure(interval.high, decimals);
}

std::string count(std::size_t n, const std::string& thing) {
    return std::to_string(n) + " " + thing + (n == 1 ? "" : "s");
}

}  // namespace ampmarshal::daemon::trials
