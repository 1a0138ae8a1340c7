#include "rules/learned_starts.h"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

/// The standard deviation of a normal distribution whose median distance from its middle is 1.
constexpr double scatter_per_distance = 1.482602218505602;

constexpr double margin = 1.25;       ///< on the worst start remembered, where that lowers what is configured
constexpr double lowest_share = 0.5;  ///< and never below this share of what is configured
/// A motor's locked-rotor current goes with the voltage. Starts are reckoned up to the upper end of ANSI
/// C84.1, range A; one at an unknown voltage is taken to be the lowest a motor must start at (NEMA MG
/// 1, 12.44).
constexpr double highest_line_share = 126.0 / 120;
constexpr double unknown_line_share = 0.9;
constexpr int longest_window = 2;  ///< times what is configured: a stall must still be told from a start

constexpr double hard_start = 1.2;    ///< start over running current from which on it is a motor's
constexpr double beyond_scatter = 3;  ///< standard deviations
constexpr int periods_apart = 3;      ///< a duration must have grown by so many of the meter's periods
/// Peaks are compared at nominal voltage, but no further from it than motors are expected to start at:
/// by itself the voltage must not look like a change.
constexpr double least_compared_share = 0.85;
constexpr double most_compared_share = 1.1;

constexpr double least_a = 0.01;
constexpr double most_a = 1000;
constexpr Duration longest = 60s;
constexpr double least_line_share = 0.2;
constexpr double most_line_share = 1.5;

constexpr std::size_t index(Figure figure) {
    return static_cast<std::size_t>(figure);
}

/// So many times its past a figure must have become; or a part of it, to have been changed for the better.
double growth(Figure figure) {
    return figure == Figure::duration ? 2 : 4.0 / 3;
}

/// What of a start is compared with its past.
double value(Figure figure, const SeenStart& start) {
    switch (figure) {
        case Figure::peak:
            return start.peak_a /
                   std::clamp(start.line_share.value_or(1), least_compared_share, most_compared_share);
        case Figure::duration: return seconds(start.lasted);
        case Figure::running: break;
    }
    return start.running_a;
}

/// What a start would have come to at the highest voltage of the mains.
double at_highest_line_a(const SeenStart& start) {
    return start.peak_a * highest_line_share / start.line_share.value_or(unknown_line_share);
}

double highest_at_any_line_a(std::span<const SeenStart> starts) {
    double highest_a = 0;
    for (const SeenStart& s : starts)
        highest_a = std::max(highest_a, at_highest_line_a(s));
    return highest_a;
}

bool tells(Figure figure, std::span<const SeenStart> starts) {
    return figure != Figure::peak ||
           std::all_of(starts.begin(), starts.end(), [](const SeenStart& s) { return s.saw_peak; });
}

template <class Holds>
bool all(Figure figure, std::span<const SeenStart> starts, Holds holds) {
    return std::all_of(starts.begin(), starts.end(),
                       [&](const SeenStart& s) { return holds(value(figure, s)); });
}

/// The middle of an even number of values lies between the two in the middle.
double median(std::span<double> values) {
    std::sort(values.begin(), values.end());
    const std::size_t half = values.size() / 2;
    return values.size() % 2 == 1 ? values[half] : (values[half - 1] + values[half]) / 2;
}

/// Room for the values of one figure of all remembered starts.
class Values {
  public:
    Values(Figure figure, std::span<const SeenStart> starts) : count_(starts.size()) {
        std::transform(starts.begin(), starts.end(), values_.begin(),
                       [&](const SeenStart& s) { return value(figure, s); });
    }
    std::span<double> all() { return {values_.data(), count_}; }

  private:
    std::array<double, StageProfile::remembered> values_{};
    std::size_t count_;
};

double median_of(Figure figure, std::span<const SeenStart> starts) {
    return median(Values(figure, starts).all());
}

Spread spread_of(Figure figure, std::span<const SeenStart> starts) {
    return spread(Values(figure, starts).all());
}

/// At or above this a figure has departed from its past.
double departs_from(Figure figure, const Spread& past, Duration period) {
    const double grown = std::max(growth(figure) * past.median, past.median + beyond_scatter * past.scatter);
    if (figure != Figure::duration) return grown;
    return std::max(grown, past.median + seconds(periods_apart * period));
}

bool within(double value, double low, double high) {
    return value >= low && value <= high;  // and not a NaN
}

bool plausible(const SeenStart& s) {
    return within(s.running_a, least_a, most_a) && within(s.peak_a, least_a, most_a) && s.lasted >= 0s &&
           s.lasted <= longest && s.period > 0s && s.period <= longest &&
           within(s.line_share.value_or(1), least_line_share, most_line_share);
}

}  // namespace

Spread spread(std::span<double> values) {
    const double middle = median(values);
    for (double& value : values)
        value = std::abs(value - middle);
    return {middle, scatter_per_distance * median(values)};
}

StageProfile::StageProfile(const Stage& configured)
    : configured_{configured.start_a, configured.start_window, configured.running_a} {}

void StageProfile::learn(const SeenStart& start) {
    if (!plausible(start)) return;
    Memory& m = memory_;
    ++m.seen;
    if (m.count == remembered)
        std::rotate(m.last.begin(), m.last.begin() + 1, m.last.end());
    else
        ++m.count;
    m.last[m.count - 1] = start;
    m.highest_a = std::max(m.highest_a, at_highest_line_a(start));
    for (Figure figure : all_figures)
        if (!begin_past(figure)) compare(figure);
}

/// The past is the first twenty starts, and stays that: a past that followed would not notice what grows a
/// little every week. It begins anew where twenty starts say that something was changed for the better.
bool StageProfile::begin_past(Figure figure) {
    Memory& m = memory_;
    auto& past = m.past[index(figure)];
    if (m.count < remembered || !tells(figure, starts())) return false;
    if (past) {
        const double better = past->median / growth(figure);
        if (!all(figure, starts(), [&](double v) { return v <= better; })) return false;
    }
    past = spread_of(figure, starts());
    m.departed[index(figure)] = false;
    if (figure == Figure::peak) m.highest_a = highest_at_any_line_a(starts());
    return true;
}

void StageProfile::compare(Figure figure) {
    const auto& past = memory_.past[index(figure)];
    if (!past || memory_.count < in_a_row) return;
    const auto lately = starts().last(in_a_row);
    if (!tells(figure, lately)) return;
    const double limit = departs_from(figure, *past, lately.back().period);
    const double back = (past->median + limit) / 2;
    if (all(figure, lately, [&](double v) { return v >= limit; })) memory_.departed[index(figure)] = true;
    if (all(figure, lately, [&](double v) { return v <= back; })) memory_.departed[index(figure)] = false;
}

bool StageProfile::may_lower(std::optional<SourceIndex> source) const {
    return source && memory_.count == remembered &&
           std::all_of(memory_.last.begin(), memory_.last.end(),
                       [&](const SeenStart& s) { return s.saw_peak && s.source == source; });
}

StageFigures StageProfile::worst() const {
    StageFigures worst{0, 0s, 0};
    for (const SeenStart& s : starts()) {
        worst.start_a = std::max(worst.start_a, s.peak_a);
        worst.start_window = std::max(worst.start_window, s.lasted);
        worst.running_a = std::max(worst.running_a, s.running_a);
    }
    return worst;
}

StageFigures StageProfile::believed(std::optional<SourceIndex> source) const {
    const StageFigures seen = worst();
    StageFigures b = configured_;
    if (may_lower(source))
        b.start_a = std::min(b.start_a, std::max({margin * highest_at_any_line_a(starts()), memory_.highest_a,
                                                  lowest_share * configured_.start_a}));
    b.running_a = std::max(b.running_a, seen.running_a);
    b.start_a = std::max({b.start_a, seen.start_a, b.running_a});
    Duration surely{};  // the longest start lasted at least so long
    for (const SeenStart& s : starts())
        surely = std::max(surely, s.lasted - s.period);
    b.start_window = std::max(b.start_window, std::min(surely, longest_window * configured_.start_window));
    return b;
}

std::optional<Departure> StageProfile::departure() const {
    if (configured_.start_a < hard_start * configured_.running_a) return std::nullopt;
    for (Figure figure : all_figures)
        if (memory_.departed[index(figure)])
            return Departure{figure, memory_.past[index(figure)]->median,
                             median_of(figure, starts().last(in_a_row))};
    return std::nullopt;
}

std::optional<Spread> StageProfile::usual(Figure figure) const {
    if (memory_.count == 0) return std::nullopt;
    return spread_of(figure, starts());
}

std::optional<std::string> StageProfile::restore(const Memory& kept) {
    const std::string remedy = "; forget what was learned of this stage";
    if (kept.count > remembered || kept.seen < kept.count)
        return "more starts are remembered than were seen" + remedy;
    for (std::size_t i = 0; i < kept.count; ++i)
        if (!plausible(kept.last[i]))
            return "start " + std::to_string(i + 1) + " of " + std::to_string(kept.count) +
                   " cannot have been one" + remedy;
    if (!within(kept.highest_a, 0, 10 * most_a)) return "its highest start cannot have been one" + remedy;
    for (Figure figure : all_figures) {
        const auto& past = kept.past[index(figure)];
        const double least = figure == Figure::duration ? 0 : least_a / 2;
        const double most = figure == Figure::duration ? seconds(longest) : 2 * most_a;
        if (past && !(within(past->median, least, most) && within(past->scatter, 0, most)))
            return "the past it is compared with cannot have been" + remedy;
        if (kept.departed[index(figure)] && (!past || kept.count < in_a_row))
            return "it is said to have departed from a past that is not there" + remedy;
    }
    memory_ = kept;
    return std::nullopt;
}

std::string sentence(const Departure& d, const Load& load, std::size_t stage) {
    const char* format = nullptr;
    switch (d.figure) {
        case Figure::peak:
            format = "start has grown from %.3g A to %.3g A: capacitor, soft starter or low voltage?";
            break;
        case Figure::duration:
            format = "start took %.2g s and takes %.2g s now: capacitor, low voltage or too short a rest?";
            break;
        case Figure::running:
            format = "running current has grown from %.3g A to %.3g A: dirty coil, bearing or low voltage?";
            break;
    }
    std::array<char, 128> figures{};
    std::snprintf(figures.data(), figures.size(), format, d.from, d.to);
    const std::string part = load.stages.size() > 1 ? load.stages[stage].name + " " : "";
    return "its " + part + figures.data();
}

}  // namespace ampmarshal::rules
