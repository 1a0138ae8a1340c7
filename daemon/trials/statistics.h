// What a handful of repeated measurements can tell, and how surely. Everything here is plain textbook
// statistics for small samples and knows nothing of amperes; Boost.Math has the distributions.
//
// Why these methods:
//   - Student's t interval for a mean: with three to ten trials the normal distribution would promise too
//     much.
//   - Welch for the difference of two means: a fitting that tames a start also changes how much it varies, so
//     equal variances must not be assumed.
//   - Fieller for their ratio, which a reduction in percent is: the "before" is as uncertain as the "after",
//     and an interval of the difference divided by the mean before would leave that out. Solved with Welch's
//     degrees of freedom, it excludes "no change" exactly when Welch's test does.
//   - Grubbs names the one value that stands out. It is named and kept: a start caught at another point of
//     the mains wave is a real start.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace ampmarshal::daemon::trials {

/// Of every interval in here.
inline constexpr double confidence = 0.95;

struct Interval {
    double low;
    double high;

    bool contains(double value) const { return low <= value && value <= high; }
};

struct Summary {
    std::size_t n = 0;
    double mean = 0;
    std::optional<double> deviation{};  ///< sample standard deviation; nothing for a single value
    double least = 0;
    double most = 0;
};

/// There must be at least one value.
Summary summarize(std::span<const double> values);

/// Where the true mean is, as far as the sample tells; nothing for a single value.
std::optional<Interval> mean_interval(const Summary& sample);

/// Most single values to come stay below this (95 %, one-sided prediction); nothing for a single value.
std::optional<double> next_value_bound(const Summary& sample);

struct Difference {
    double difference;  ///< mean of the first less mean of the second
    double t;
    double freedom;  ///< Welch-Satterthwaite
    double p;        ///< two-sided
    Interval interval;
};

/// Welch's test of two independent samples. Nothing if a sample is a single value, or if neither varies: then
/// there is nothing to judge the difference by.
std::optional<Difference> welch(const Summary& first, const Summary& second);

/// The interval of mean(numerator) / mean(denominator) after Fieller; nothing where Welch has none, or where
/// the denominator is too uncertain to bound the ratio. Both means must be above zero.
std::optional<Interval> ratio_interval(const Summary& numerator, const Summary& denominator);

/// Position of the value that Grubbs' two-sided test (5 %) tells from the rest, if any. It needs three
/// values.
std::optional<std::size_t> outlier(std::span<const double> values);

/// Grubbs' statistic of the value farthest from the mean, and what it is held against.
double grubbs_statistic(const Summary& sample, double farthest);
double grubbs_critical(std::size_t n);

/// The t below which a share `p` of Student's distribution lies.
double student_quantile(double p, double freedom);

}  // namespace ampmarshal::daemon::trials
