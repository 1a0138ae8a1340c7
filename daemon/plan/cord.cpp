#include "daemon/plan/cord.h"

#include <algorithm>
#include <array>
#include <charconv>

#include "rules/derating.h"

namespace ampmarshal::daemon::plan {

namespace {

// NEC chapter 9, table 8: direct-current resistance of uncoated, stranded copper at 75 °C, ohms per 1000 ft.
struct Gauge {
    int awg;
    double ohm_per_kft;
};
constexpr std::array gauges{Gauge{18, 7.95}, Gauge{16, 4.99}, Gauge{14, 3.14}, Gauge{12, 1.98},
                            Gauge{10, 1.24}, Gauge{8, 0.778}, Gauge{6, 0.491}, Gauge{4, 0.308},
                            Gauge{3, 0.245}, Gauge{2, 0.194}};
constexpr double longest_ft = 1000;

/// The number at the front of `text`, which keeps the rest.
template <class Number>
std::optional<Number> take(std::string_view& text) {
    Number value{};
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    if (error != std::errc{}) return std::nullopt;
    text.remove_prefix(static_cast<std::size_t>(end - text.data()));
    return value;
}

}  // namespace

std::optional<double> cord_loop_ohm(std::string_view cord) {
    const auto awg = take<int>(cord);
    constexpr std::string_view between = "AWG,";
    if (!awg || !cord.starts_with(between)) return std::nullopt;
    cord.remove_prefix(between.size());
    const auto length = take<double>(cord);
    if (!length || (cord != "ft" && cord != "m")) return std::nullopt;
    const double length_ft = cord == "m" ? *length / rules::metres(1) : *length;
    const auto gauge =
        std::find_if(gauges.begin(), gauges.end(), [&](const Gauge& g) { return g.awg == *awg; });
    if (gauge == gauges.end() || !(length_ft > 0 && length_ft <= longest_ft)) return std::nullopt;
    return 2 * length_ft * gauge->ohm_per_kft / 1000;
}

}  // namespace ampmarshal::daemon::plan
