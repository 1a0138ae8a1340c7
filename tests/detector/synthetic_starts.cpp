#include "tests/detector/synthetic_starts.h"

#include <algorithm>
#include <cmath>

namespace ampmarshal::detector {

namespace {

using namespace std::chrono_literals;

constexpr double base_a = 1.5;         ///< small things that are always on
constexpr double noise_a = 0.05;       ///< of a reading, standard deviation ...
constexpr double noise_share = 0.003;  ///< ... and what comes on top, in proportion to the current
constexpr double resolution_a = 0.1;
constexpr double turning = 0.7;  ///< share of a start in which the rotor is far from its speed

/// Writes the course from left to right.
class Writer {
  public:
    Writer(Course& course, std::uint64_t seed) : course_(course), random_(seed, 1) {}

    void cycle() {
        quiet(5s, 10s);
        const double fan_a = start(Motor::fan, {1.9, 2.1}, {1.7, 2.3}, {100ms, 300ms});
        quiet(12s, 18s);
        // Common practice, no source: three to eight times the running current, for 0.1 to 0.5 s.
        const double compressor_a = start(Motor::compressor, {9, 11}, {3.6, 4.8}, {100ms, 500ms});
        quiet(30s, 40s);
        level_a_ -= fan_a + compressor_a;
        quiet(20s, 30s);
        const bool heater = random_.uniform() < 0.5;
        const double other_a = heater ? random_.uniform(11.6, 12.4) : random_.uniform(1, 15);
        course_.arrivals.push_back(now());
        level_a_ += other_a;
        quiet(20s, 30s);
        level_a_ -= other_a;
        quiet(15s, 20s);
    }

  private:
    struct Between {
        double low;
        double high;
    };

    double draw(Between b) { return random_.uniform(b.low, b.high); }
    Instant now() const { return Instant{} + course_.current_a.size() * Course::step; }
    void write(double above_a) { course_.current_a.push_back(level_a_ + above_a); }
    void quiet(Duration least, Duration most) {
        const Instant end = now() + rules::from_seconds(draw({rules::seconds(least), rules::seconds(most)}));
        while (now() < end)
            write(0);
    }

    /// A motor draws most at the first moment, a little less as the rotor begins to turn, and much less once
    /// it comes up to speed. Returns what it runs with.
    double start(Motor motor, Between running_a, Between multiple, std::pair<Duration, Duration> lasts) {
        const double running = draw(running_a);
        const double peak_a = running * draw(multiple);
        const Duration lasted =
            rules::from_seconds(draw({rules::seconds(lasts.first), rules::seconds(lasts.second)}));
        course_.starts.push_back({motor, now(), lasted, peak_a});
        for (Duration at{}; at < lasted; at += Course::step) {
            const double passed = rules::seconds(at) / rules::seconds(lasted);
            const double before_a = peak_a * (1 - 0.15 * std::min(1.0, passed / turning));
            const double up_to_speed = std::max(0.0, (passed - turning) / (1 - turning));
            write(before_a + (running - before_a) * up_to_speed);
        }
        level_a_ += running;
        return running;
    }

    Course& course_;
    Random random_;
    double level_a_ = base_a;
};

}  // namespace

Course make_course(std::uint64_t seed, int cycles) {
    Course course;
    Writer writer(course, seed);
    for (int i = 0; i < cycles; ++i)
        writer.cycle();
    return course;
}

std::vector<Reading> readings(const Course& course, Meter meter, Duration period, std::uint64_t seed) {
    Random random(seed, 2);
    const auto shown = [&](double true_a) {
        const double noisy_a = true_a + (noise_a + noise_share * true_a) * random.gaussian();
        return resolution_a * std::round(std::max(0.0, noisy_a) / resolution_a);
    };
    const auto steps = static_cast<std::size_t>(period / Course::step);
    std::vector<Reading> all;
    for (std::size_t end = steps + static_cast<std::size_t>(random.uniform() * static_cast<double>(steps));
         end <= course.current_a.size(); end += steps) {
        const auto from = course.current_a.begin() + static_cast<std::ptrdiff_t>(end - steps);
        const auto to = course.current_a.begin() + static_cast<std::ptrdiff_t>(end);
        double sum_a = 0;
        for (auto a = from; a != to; ++a)
            sum_a += *a;
        const double mean_a = sum_a / static_cast<double>(steps);
        Reading reading{Instant{} + end * Course::step, shown(meter == Meter::spot ? *(to - 1) : mean_a)};
        if (meter == Meter::holding)
            reading.peak_a = std::max(reading.current_a, shown(*std::max_element(from, to)));
        all.push_back(reading);
    }
    return all;
}

}  // namespace ampmarshal::detector
