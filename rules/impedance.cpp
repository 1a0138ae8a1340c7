#include "rules/impedance.h"

#include <algorithm>
#include <cmath>

namespace ampmarshal::rules {

namespace {

// A smaller step drowns in the meter's noise and in what others on the same supply do.
constexpr double smallest_step_a = 2;
constexpr double largest_step_a = 1000;
// No supply that still runs a rig moves by more.
constexpr double largest_step_v = 60;

// Four steps, of which the older ones count a little less.
constexpr double fewest_counted = 3.5;
// Known well enough: a standard error within a quarter of the impedance, or too small to matter (0.02 ohm
// is 1 V at 50 A).
constexpr double widest_error_share = 0.25;
constexpr double least_error_ohm = 0.02;
// Beyond an ohm hardly anything starts; the bound only keeps nonsense from spreading.
constexpr double largest_ohm = 5;

}  // namespace

void SourceImpedance::add(double delta_i_a, double delta_v) {
    const double step_a = std::abs(delta_i_a);
    // Written so that what is not a number fails, too.
    if (!(step_a >= smallest_step_a && step_a <= largest_step_a && std::abs(delta_v) <= largest_step_v))
        return;
    count_ = forgetting * count_ + 1;
    sum_ii_ = forgetting * sum_ii_ + delta_i_a * delta_i_a;
    sum_iv_ = forgetting * sum_iv_ + delta_i_a * delta_v;
    sum_vv_ = forgetting * sum_vv_ + delta_v * delta_v;
}

std::optional<SourceImpedance::Fit> SourceImpedance::fit() const {
    if (count_ < fewest_counted) return std::nullopt;
    const double fitted = -sum_iv_ / sum_ii_;
    const double residual = std::max(0.0, sum_vv_ - sum_iv_ * sum_iv_ / sum_ii_);
    const double error = std::sqrt(residual / (count_ - 1) / sum_ii_);
    if (error > std::max(widest_error_share * std::abs(fitted), least_error_ohm)) return std::nullopt;
    return Fit{std::clamp(fitted, 0.0, largest_ohm), error};
}

std::optional<double> SourceImpedance::ohm() const {
    const auto known = fit();
    return known ? std::optional(known->ohm) : std::nullopt;
}

std::optional<double> SourceImpedance::standard_error_ohm() const {
    const auto known = fit();
    return known ? std::optional(known->error_ohm) : std::nullopt;
}

std::optional<double> SourceImpedance::predicted_v(double present_v, double added_a) const {
    const auto known = fit();
    if (!known) return std::nullopt;
    return present_v - (known->ohm + 2 * known->error_ohm) * added_a;
}

}  // namespace ampmarshal::rules
