#include "daemon/trials/statistics.h"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>

namespace ampmarshal::daemon::trials {

namespace {

constexpr double two_sided = 0.5 + confidence / 2;
constexpr double outlier_level = 0.05;

double squared(double x) {
    return x * x;
}

/// Of the sample's mean.
double mean_variance(const Summary& sample) {
    return squared(*sample.deviation) / static_cast<double>(sample.n);
}

/// Welch-Satterthwaite, for the sum of two variances of means.
double freedom_of(double variance_1, std::size_t n_1, double variance_2, std::size_t n_2) {
    return squared(variance_1 + variance_2) / (squared(variance_1) / static_cast<double>(n_1 - 1) +
                                               squared(variance_2) / static_cast<double>(n_2 - 1));
}

/// Two samples that vary, at least one of them.
bool comparable(const Summary& a, const Summary& b) {
    return a.deviation && b.deviation && *a.deviation + *b.deviation > 0;
}

}  // namespace

Summary summarize(std::span<const double> values) {
    Summary sample{.n = values.size(), .least = values[0], .most = values[0]};
    const auto n = static_cast<double>(sample.n);
    // Sums of differences from a value of the sample itself: readings that differ little lose no digits.
    double sum = 0;
    for (double value : values) {
        sum += value - values[0];
        sample.least = std::min(sample.least, value);
        sample.most = std::max(sample.most, value);
    }
    sample.mean = values[0] + sum / n;
    if (sample.n < 2) return sample;
    double squares = 0;
    for (double value : values)
        squares += squared(value - sample.mean);
    // Equal readings do not vary, whatever rounding made of their mean.
    sample.deviation = sample.least == sample.most ? 0 : std::sqrt(squares / (n - 1));
    return sample;
}

double student_quantile(double p, double freedom) {
    return boost::math::quantile(boost::math::students_t(freedom), p);
}

std::optional<Interval> mean_interval(const Summary& sample) {
    if (!sample.deviation) return std::nullopt;
    const double half =
        student_quantile(two_sided, static_cast<double>(sample.n - 1)) * std::sqrt(mean_variance(sample));
    return Interval{sample.mean - half, sample.mean + half};
}

std::optional<double> next_value_bound(const Summary& sample) {
    if (!sample.deviation) return std::nullopt;
    const auto n = static_cast<double>(sample.n);
    return sample.mean + student_quantile(confidence, n - 1) * *sample.deviation * std::sqrt(1 + 1 / n);
}

std::optional<Difference> welch(const Summary& first, const Summary& second) {
    if (!comparable(first, second)) return std::nullopt;
    const double variance_1 = mean_variance(first);
    const double variance_2 = mean_variance(second);
    const double error = std::sqrt(variance_1 + variance_2);
    Difference out{};
    out.difference = first.mean - second.mean;
    out.t = out.difference / error;
    out.freedom = freedom_of(variance_1, first.n, variance_2, second.n);
    const boost::math::students_t student(out.freedom);
    out.p = 2 * boost::math::cdf(boost::math::complement(student, std::abs(out.t)));
    const double half = boost::math::quantile(student, two_sided) * error;
    out.interval = {out.difference - half, out.difference + half};
    return out;
}

std::optional<Interval> ratio_interval(const Summary& numerator, const Summary& denominator) {
    if (!comparable(numerator, denominator)) return std::nullopt;
    const double estimate = numerator.mean / denominator.mean;
    // A ratio is inside while Welch's test cannot tell the numerator from that many times the denominator.
    const auto inside = [&](double ratio) {
        const double variance_1 = mean_variance(numerator);
        const double variance_2 = squared(ratio) * mean_variance(denominator);
        const double freedom = freedom_of(variance_1, numerator.n, variance_2, denominator.n);
        return std::abs(numerator.mean - ratio * denominator.mean) <=
               student_quantile(two_sided, freedom) * std::sqrt(variance_1 + variance_2);
    };
    // Halves the gap between a ratio inside and one outside until it is far below what anybody reads.
    const auto edge = [&](double within, double outside) {
        for (int i = 0; i < 60; ++i) {
            const double middle = (within + outside) / 2;
            (inside(middle) ? within : outside) = middle;
        }
        return within;
    };
    constexpr double step = 1.05;
    constexpr double widest = 100;  // a "before" so uncertain that it might be nearly nothing tells no ratio
    double above = estimate;
    while (inside(above)) {
        if (above > widest * estimate) return std::nullopt;
        above *= step;
    }
    double below = estimate;
    while (below > estimate / widest && inside(below))
        below /= step;
    return Interval{inside(below) ? 0 : edge(estimate, below), edge(estimate, above)};
}

double grubbs_statistic(const Summary& sample, double farthest) {
    return std::abs(farthest - sample.mean) / *sample.deviation;
}

double grubbs_critical(std::size_t count) {
    const auto n = static_cast<double>(count);
    const double t2 = squared(student_quantile(1 - outlier_level / (2 * n), n - 2));
    return (n - 1) / std::sqrt(n) * std::sqrt(t2 / (n - 2 + t2));
}

std::optional<std::size_t> outlier(std::span<const double> values) {
    if (values.size() < 3) return std::nullopt;
    const Summary sample = summarize(values);
    if (*sample.deviation == 0) return std::nullopt;
    const auto farthest = std::max_element(values.begin(), values.end(), [&](double a, double b) {
        return std::abs(a - sample.mean) < std::abs(b - sample.mean);
    });
    if (grubbs_statistic(sample, *farthest) <= grubbs_critical(sample.n)) return std::nullopt;
    return static_cast<std::size_t>(farthest - values.begin());
}

}  // namespace ampmarshal::daemon::trials
