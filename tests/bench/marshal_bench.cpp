// What one meter sample costs inside the Marshal. Two courses of readings: a quiet leg, and a leg that
// swings, so that loads start, are shed and come back. The first round of each warms up and is not counted.
#include <algorithm>
#include <chrono>
#include <cstdio>

#include "tests/bench/allocations.h"
#include "tests/bench/bench.h"
#include "tests/support/marshal_stand.h"

namespace ampmarshal::bench {

namespace {

using namespace rules;
using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

/// Every fourth load is an air conditioner; about as many run as wait.
Rig rig_with(std::size_t loads) {
    std::vector<Load> all;
    for (std::size_t i = 0; i < loads; ++i) {
        const std::string id = "load-" + std::to_string(i);
        const int rank = static_cast<int>(i) + 1;
        all.push_back(i % 4 == 0 ? stand::air_conditioner(id, rank, 30, 8) : stand::resistive(id, rank, 6));
    }
    const double rating_a = 4.0 * static_cast<double>(loads) + 20;
    return stand::rig_of({stand::breaker(rating_a)}, std::move(all));
}

struct Cost {
    double ns_per_sample;
    double allocations_per_sample;
    double actions_per_sample;
};

class Course {
  public:
    explicit Course(Rig rig) : marshal_(std::move(rig), 0, now_) { marshal_.on(LinkChanged{now_, true}); }

    /// `amperes(n)` is the n-th reading.
    template <class Amperes>
    Cost run(int samples, Amperes amperes) {
        std::size_t actions = 0;
        const auto allocated = allocations();
        const auto began = Clock::now();
        for (int n = 0; n < samples; ++n) {
            now_ += 100ms;
            actions += marshal_.on(MeterSample{now_, Leg::l1, amperes(n), {}, 120.0, {}}).size();
        }
        const std::chrono::duration<double, std::nano> took = Clock::now() - began;
        return {took.count() / samples, static_cast<double>(allocations() - allocated) / samples,
                static_cast<double>(actions) / samples};
    }

  private:
    Instant now_{};
    Marshal marshal_;
};

bool show(std::size_t loads, const char* course, const Cost& cost) {
    const bool meets = cost.allocations_per_sample == 0;
    std::printf("  %4zu loads, %-8s %9.0f ns, %g allocations, %.2f actions a sample%s\n", loads, course,
                cost.ns_per_sample, cost.allocations_per_sample, cost.actions_per_sample,
                meets ? "" : "   MISSED: none is the goal");
    return meets;
}

}  // namespace

bool bench_marshal() {
    std::printf("Marshal, one meter sample (goal: no allocations once warm)\n");
    bool meets = true;
    for (const std::size_t loads : {8, 64, 512}) {
        const double middle_a = 2.0 * static_cast<double>(loads);
        const int samples = static_cast<int>(std::max<std::size_t>(3'000, 400'000 / loads));
        const auto quiet = [&](int n) { return middle_a + 0.1 * (n % 3); };
        const auto swinging = [&](int n) { return middle_a * (1 + ((n / 40) % 4)) + 0.1 * (n % 3); };
        Course course(rig_with(loads));
        course.run(samples, quiet);
        meets &= show(loads, "quiet", course.run(samples, quiet));
        course.run(samples, swinging);
        meets &= show(loads, "swinging", course.run(samples, swinging));
    }
    return meets;
}

}  // namespace ampmarshal::bench
