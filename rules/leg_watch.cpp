#include "rules/leg_watch.h"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr Duration slow_meter = 250ms;  ///< from here on two readings that agree are enough
constexpr Duration longest_movement = 30s;
constexpr double much_higher = 1.5;
constexpr double level_follows = 0.1;  ///< share of a reading taken into the level while quiet

}  // namespace

LegWatch::LegWatch(Duration meter_period) : recent_needed_(meter_period < slow_meter ? recent_max : 2) {}

void LegWatch::begin(Instant at) {
    moving_ = true;
    began_ = at;
    peak_a_ = lowest_a_ = now_a_;
    recent_count_ = 0;
    steady_a_ = now_a_;
    steady_since_ = at;
    so_high_since_ = at;
    least_height_a_ = most_height_a_ = now_a_ - level_a_;
    fell_back_a_ = 0;
    plateau_.reset();
}

void LegWatch::note_height(Instant at) {
    const double up_a = now_a_ - level_a_;
    if (up_a > much_higher * least_height_a_) {
        so_high_since_ = at;
        least_height_a_ = up_a;
    }
    least_height_a_ = std::min(least_height_a_, up_a);
    if (up_a > much_higher * most_height_a_) fell_back_a_ = 0;
    most_height_a_ = std::max(most_height_a_, up_a);
    fell_back_a_ = std::max(fell_back_a_, most_height_a_ - up_a);
}

void LegWatch::drop(Instant at, double current_a) {
    dropped_a_ = current_a + (moving_ ? dropped_a_ : 0);
    level_a_ = std::max(0.0, level_a_ - current_a);
    if (now_a_ <= level_a_ + least_step_a()) return;
    // The rise is watched anew from here: together with the fall it may have looked like nothing at all, and
    // its time have run out meanwhile. It may have peaked already, beside what has stopped since.
    const double peaked_a = moving_ ? peak_a_ - current_a : now_a_;
    begin(at);
    peak_a_ = std::max(peak_a_, peaked_a);
}

double LegWatch::at_least_a() const {
    const auto count = static_cast<long>(std::min(recent_needed_, recent_count_));
    return *std::min_element(recent_a_.begin(), recent_a_.begin() + count);
}

bool LegWatch::settled(Instant at, Duration hold_open) const {
    if (at - began_ >= longest_movement) return true;
    if (recent_count_ < recent_needed_) return false;
    const auto [low, high] =
        std::minmax_element(recent_a_.begin(), recent_a_.begin() + static_cast<long>(recent_needed_));
    if (*high - *low > least_step_a()) return false;
    return *high <= level_a_ + least_step_a() || at - so_high_since_ >= hold_open;
}

/// One load may stop and another start within the same movement; then the current dips below both levels, and
/// it is taken for what it is. Or one may have started, and another stop while the first is watched to
/// settle: no start leaves the current lower than it was.
LegWatch::Steps LegWatch::close(Instant at) {
    const auto count = static_cast<long>(std::min(recent_needed_, recent_count_));
    const double settled_a =
        std::accumulate(recent_a_.begin(), recent_a_.begin() + count, 0.0) / static_cast<double>(count);
    const double baseline_a = level_a_;
    const double least_a = least_step_a();
    moving_ = false;
    level_a_ = settled_a;
    if (lowest_a_ < std::min(baseline_a, settled_a) - least_a)
        return {Step{began_, steady_since_, at, baseline_a, baseline_a, lowest_a_},
                Step{began_, steady_since_, at, lowest_a_, peak_a_, settled_a}};
    if (plateau_ && plateau_->level_a > baseline_a + least_a && settled_a < baseline_a - least_a)
        return {Step{began_, plateau_->since, at, baseline_a, peak_a_, plateau_->level_a},
                Step{plateau_->left, steady_since_, at, plateau_->level_a, plateau_->level_a, settled_a}};
    if (std::abs(settled_a - baseline_a) <= least_a) return {};
    return {Step{began_, steady_since_, at, baseline_a, peak_a_, settled_a}, {}};
}

LegWatch::Steps LegWatch::sample(Instant at, double current_a, std::optional<double> peak_a,
                                 Duration hold_open) {
    now_a_ = current_a;
    if (!heard_) {
        heard_ = true;
        level_a_ = current_a;
        return {};
    }
    if (!moving_) {
        if (std::abs(current_a - level_a_) <= least_step_a()) {
            level_a_ += level_follows * (current_a - level_a_);
            return {};
        }
        begin(at);
        dropped_a_ = 0;
    }
    peak_a_ = std::max({peak_a_, current_a, peak_a.value_or(current_a)});
    lowest_a_ = std::min(lowest_a_, current_a);
    note_height(at);
    if (std::abs(current_a - steady_a_) > least_step_a()) {
        if (at - steady_since_ >= steady_for_) plateau_ = Plateau{steady_a_, steady_since_, at};
        steady_a_ = current_a;
        steady_since_ = at;
    }
    steady_for_ = hold_open;
    std::rotate(recent_a_.rbegin(), recent_a_.rbegin() + 1, recent_a_.rend());
    recent_a_[0] = current_a;
    recent_count_ = std::min(recent_count_ + 1, recent_max);
    return settled(at, hold_open) ? close(at) : Steps{};
}

}  // namespace ampmarshal::rules
