#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <optional>
#include <string>
#include <variant>

#include "rules/learned_starts.h"
#include "rules/marshal.h"
#include "tests/detector/tables.h"

namespace ampmarshal::detector {

namespace {

using namespace rules;
using namespace std::chrono_literals;

constexpr std::uint64_t seed = 1;
constexpr int cycles = 200;
constexpr LoadIndex air_conditioner = 0;
constexpr Duration compressor_window = 600ms;

/// As an owner has measured it: about what the starts of the course come to.
Rig rig_with(Duration meter_period) {
    Rig rig;
    rig.name = "synthetic";
    rig.legs = LegSet(Leg::l1);
    rig.sources = {compile("grid", "grid", 120, Feed::one_leg, BreakerPlate{200})};
    rig.loads = {{.id = "air-conditioner",
                  .name = "Air conditioner",
                  .legs = LegSet(Leg::l1),
                  .rank = 1,
                  .control = Control::permitted,
                  .stages = {{"fan", 4.5, 400ms, 2, 5s}, {"compressor", 46, compressor_window, 10, 25s}}},
                 {.id = "water-heater",
                  .name = "Water heater",
                  .legs = LegSet(Leg::l1),
                  .rank = 2,
                  .control = Control::permitted,
                  .stages = {{"element", 12, 200ms, 12, 1s}}}};
    rig.timing.meter_period[Leg::l1] = meter_period;
    rig.timing.stale_after[Leg::l1] = 3 * meter_period + 1s;
    rig.timing.decision = 50ms;
    rig.timing.steady_grace = 2s;
    rig.timing.restore_after = 30s;
    rig.timing.dwell = 600s;
    return rig;
}

struct Quantiles {
    double low;
    double middle;
    double high;
};

/// Of a sample that is not empty: 5, 50 and 95 %.
Quantiles quantiles(std::vector<double> values) {
    std::sort(values.begin(), values.end());
    const auto at = [&](double share) {
        return values[static_cast<std::size_t>(std::lround(share * static_cast<double>(values.size() - 1)))];
    };
    return {at(0.05), at(0.5), at(0.95)};
}

std::string with_spread(const std::vector<double>& errors, int digits) {
    if (errors.empty()) return "";
    Quantiles q = quantiles(errors);
    for (double* value : {&q.low, &q.middle, &q.high})  // no "-0"
        if (std::abs(*value) < 0.5 * std::pow(10, -digits)) *value = 0;
    std::array<char, 64> text{};
    std::snprintf(text.data(), text.size(), "%+.*f (%+.*f to %+.*f)", digits, q.middle, digits, q.low, digits,
                  q.high);
    return text.data();
}

std::string in_words(Duration period) {
    const auto ms = std::chrono::duration_cast<std::chrono::milliseconds>(period).count();
    return ms < 1000 ? std::to_string(ms) + " ms" : std::to_string(ms / 1000) + " s";
}

/// Runs the Marshal over a meter's readings and holds what it has seen against the truth.
class Judge {
  public:
    Judge(const Course& course, Meter meter, Duration period)
        : course_(course), meter_(meter), period_(period), marshal_(rig_with(period), 0, before_) {
        marshal_.on(LinkChanged{before_, true});
    }

    void watch(const Reading& r) {
        now_ = r.at;
        std::optional<LoadIndex> accused;
        for (const Action& action : marshal_.on(MeterSample{r.at, Leg::l1, r.current_a, r.peak_a, {}, {}})) {
            if (const auto* start = std::get_if<StartSeen>(&action)) note(*start);
            if (const auto* alert = std::get_if<AlertRaised>(&action)) accused = alert->load;
        }
        if (!accused) return;
        ++accused_;  // nothing here stalls or disobeys
        marshal_.on(OperatorRequest{r.at, *accused, Request::acknowledge});
    }

    void print_row() const {
        const auto percent = [](std::size_t part, std::size_t of) {
            return 100.0 * static_cast<double>(part) / static_cast<double>(of);
        };
        std::printf("| %s | %.1f | %.1f | %.1f | %d | %s | %.1f | %s | %s |\n", in_words(period_).c_str(),
                    percent(detected_, cycles), percent(peak_errors_percent_.size(), cycles),
                    percent(taken_, course_.arrivals.size()), accused_,
                    with_spread(peak_errors_percent_, 0).c_str(), percent(seen_whole_percent_.size(), cycles),
                    with_spread(seen_whole_percent_, 0).c_str(), with_spread(duration_errors_s_, 2).c_str());
    }

  private:
    void note(const StartSeen& seen) {
        if (seen.load != air_conditioner) return;
        const auto of = true_start(seen.stage == 0 ? Motor::fan : Motor::compressor);
        if (!of) {
            ++taken_;
            return;
        }
        const bool after_its_fan = last_seen_ && *last_seen_ + 1 == *of;
        last_seen_ = of;
        if (seen.stage == 0) return;
        ++detected_;
        if (!after_its_fan) return;  // both came as one step, which measures neither
        const TrueStart& t = course_.starts[*of];
        peak_errors_percent_.push_back(100 * ((seen.peak_a - seen.baseline_a) / t.peak_a - 1));
        if (sees_peak(meter_ == Meter::holding, period_, std::min(compressor_window, seen.lasted)))
            seen_whole_percent_.push_back(peak_errors_percent_.back());
        duration_errors_s_.push_back(seconds(seen.lasted - t.lasted));
    }

    /// The latest start of this motor that has begun and that nothing seen before was.
    std::optional<std::size_t> true_start(Motor motor) {
        while (begun_ < course_.starts.size() && course_.starts[begun_].began <= now_)
            ++begun_;
        for (std::size_t n = begun_; n-- > (last_seen_ ? *last_seen_ + 1 : 0);)
            if (course_.starts[n].motor == motor && now_ - course_.starts[n].began <= 2s + 5 * period_)
                return n;
        return std::nullopt;
    }

    static constexpr Instant before_ = Instant{} - 10min;
    const Course& course_;
    Meter meter_;
    Duration period_;
    Marshal marshal_;
    Instant now_{};
    std::size_t begun_ = 0;
    std::optional<std::size_t> last_seen_{};
    std::size_t detected_ = 0;
    std::size_t taken_ = 0;
    int accused_ = 0;
    std::vector<double> peak_errors_percent_;  ///< of all that were told apart
    std::vector<double> seen_whole_percent_;   ///< of those whose peak the meter could see
    std::vector<double> duration_errors_s_;
};

}  // namespace

void print_starts(Meter meter) {
    std::printf(
        "| Period | Detected, %% | Told apart, %% | Others taken for one, %% | Accused | Error of the peak, "
        "%% | "
        "Seen whole, %% | Error of their peaks, %% | Error of the duration, s "
        "|\n|---|---|---|---|---|---|---|---|---|\n");
    const Course course = make_course(seed, cycles);
    for (const Duration period : {20ms, 50ms, 100ms, 200ms, 500ms, 1000ms, 2000ms, 5000ms}) {
        Judge judge(course, meter, period);
        for (const Reading& reading : readings(course, meter, period, seed))
            judge.watch(reading);
        judge.print_row();
    }
}

}  // namespace ampmarshal::detector
