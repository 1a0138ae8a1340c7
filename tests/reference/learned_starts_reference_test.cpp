// The statistics of learned starts against GSL, and the rates that docs/detection.md promises against their
// theory.
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>

#include <array>
#include <cmath>
#include <memory>
#include <vector>

#include "rules/learned_starts.h"
#include "tests/support/catch.h"

using namespace ampmarshal::rules;
using namespace std::chrono_literals;

namespace {

class Chance {
  public:
    explicit Chance(unsigned long seed) : rng_(gsl_rng_alloc(gsl_rng_mt19937), gsl_rng_free) {
        gsl_rng_set(rng_.get(), seed);
    }
    double normal(double mean, double deviation) { return mean + gsl_ran_gaussian(rng_.get(), deviation); }
    double log_normal(double deviation) { return gsl_ran_lognormal(rng_.get(), 0, deviation); }

  private:
    std::unique_ptr<gsl_rng, void (*)(gsl_rng*)> rng_;
};

SeenStart start(double peak_a, double running_a = 10) {
    return {.peak_a = peak_a,
            .running_a = running_a,
            .lasted = 300ms,
            .period = 50ms,
            .saw_peak = true,
            .line_share = 1.0,
            .source = 0};
}

/// The chance of `length` successes in a row within so many trials, by counting the current run.
double chance_of_a_run(double p, int trials) {
    constexpr std::size_t length = StageProfile::in_a_row;
    std::array<double, length + 1> run{1};  // chance of a run of so many just now; the last: it has happened
    for (int trial = 0; trial < trials; ++trial) {
        std::array<double, length + 1> next{};
        next[length] = run[length];
        for (std::size_t r = 0; r < length; ++r) {
            next[r + 1] += p * run[r];
            next[0] += (1 - p) * run[r];
        }
        run = next;
    }
    return run[length];
}

}  // namespace

TEST_CASE("Median and scatter are GSL's") {
    Chance chance(1);
    for (std::size_t n = 1; n <= 25; ++n) {
        std::vector<double> values(n);
        for (double& value : values)
            value = chance.normal(40, 3);
        std::vector<double> sorted = values;
        gsl_sort(sorted.data(), 1, n);
        std::vector<double> work(n);
        const double scatter = gsl_stats_mad(values.data(), 1, n, work.data());
        const Spread own = spread(values);
        CHECK(own.median == Approx(gsl_stats_median_from_sorted_data(sorted.data(), 1, n)).epsilon(1e-14));
        CHECK(own.scatter == Approx(scatter).epsilon(1e-12));
    }
    // A textbook sample, from memory: median 2, median distance from it 1.
    std::array<double, 7> textbook{1, 1, 2, 2, 4, 6, 9};
    const Spread own = spread(textbook);
    CHECK(own.median == 2);
    CHECK(own.scatter == Approx(1 / gsl_cdf_ugaussian_Pinv(0.75)).epsilon(1e-12));
}

TEST_CASE("A worst of twenty is exceeded by one start in twenty-one, whatever the distribution") {
    // Of 21 like values each is as likely to be the highest.
    Chance chance(2);
    StageProfile profile(Stage{"compressor", 1, 500ms, 0.5, 20s});
    constexpr int starts = 40000;
    int exceeded = 0;
    for (int n = 0; n < starts + 20; ++n) {
        const double peak_a = 40 * chance.log_normal(0.3);
        if (n >= 20) exceeded += peak_a > profile.worst().start_a ? 1 : 0;
        profile.learn(start(peak_a));
    }
    CHECK(exceeded == Approx(starts / 21.0).epsilon(0.06));
}

TEST_CASE("An alarm comes as often as five in a row do") {
    // A past of 30 A with a scatter of 4 A is left at 42 A; of starts about 36 A and 6 A wide, so many are
    // above.
    StageProfile::Memory memory;
    memory.past[0] = Spread{30, 4};
    const double above = gsl_cdf_ugaussian_Q((42.0 - 36) / 6);
    constexpr int starts = 400;
    constexpr int histories = 2000;
    Chance chance(3);
    int alarms = 0;
    for (int history = 0; history < histories; ++history) {
        StageProfile profile(Stage{"compressor", 30, 500ms, 10, 20s});
        REQUIRE_FALSE(profile.restore(memory));
        bool alarm = false;
        for (int n = 0; n < starts && !alarm; ++n) {
            profile.learn(start(chance.normal(36, 6)));
            alarm = profile.departure().has_value();
        }
        alarms += alarm ? 1 : 0;
    }
    const double expected = chance_of_a_run(above, starts);
    CHECK(expected == Approx(0.033).margin(0.002));
    const double four_deviations = 4 * std::sqrt(expected * (1 - expected) / histories);
    CHECK(alarms / double{histories} == Approx(expected).margin(four_deviations));
}

TEST_CASE("Starts that scatter normally raise no more false alarms than the page promises") {
    // The chance that five starts in a row are beyond the limit as docs/detection.md gives it, over pasts of
    // twenty starts as they happen to come. A few unlucky pasts make up nearly all of it.
    struct Promise {
        double deviation;
        double one_alarm_in;
    };
    for (const auto& [deviation, one_alarm_in] :
         {Promise{0.05, 1e20}, Promise{0.10, 1e8}, Promise{0.15, 2e6}, Promise{0.20, 4e5}}) {
        Chance chance(4);
        constexpr int pasts = 20000;
        double sum = 0;
        for (int n = 0; n < pasts; ++n) {
            std::array<double, 20> peaks{};
            for (double& peak : peaks)
                peak = chance.normal(1, deviation);
            const Spread past = spread(peaks);
            const double limit = std::max(4.0 / 3 * past.median, past.median + 3 * past.scatter);
            sum += std::pow(gsl_cdf_ugaussian_Q((limit - 1) / deviation), 5);
        }
        INFO("deviation " << deviation);
        CHECK(sum / pasts < 1 / one_alarm_in);
    }
}

TEST_CASE("Honest histories of starts raise no alarm, in any of their figures") {
    Chance chance(5);
    for (int history = 0; history < 100; ++history) {
        StageProfile profile(Stage{"compressor", 48, 500ms, 11, 20s});
        const double deviation = 0.05 + 0.05 * (history % 4);
        for (int n = 0; n < 500; ++n) {
            SeenStart s = start(std::max(5.0, chance.normal(40, 40 * deviation)),
                                std::max(1.0, chance.normal(10, 10 * deviation)));
            const double lasted_s = std::max(0.01, chance.normal(0.3, 0.3 * deviation));
            s.lasted = std::lround(lasted_s / 0.05) * s.period;  // as a meter sees it
            s.line_share = chance.normal(1, 0.02);
            profile.learn(s);
            REQUIRE_FALSE(profile.departure());
        }
    }
}
