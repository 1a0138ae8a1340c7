// The statistics of trials against published data, against GSL, and against chance itself: an interval that
// claims 95 % must hold the truth in 95 of 100 experiments.
#include "daemon/trials/statistics.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics_double.h>

#include <cmath>
#include <memory>
#include <vector>

#include "daemon/trials/trial_results.h"
#include "tests/support/catch.h"

using namespace ampmarshal::daemon::trials;

namespace {

using Values = std::vector<double>;

Summary moments(std::size_t n, double mean, double deviation) {
    return {.n = n, .mean = mean, .deviation = deviation};
}

class Chance {
  public:
    explicit Chance(unsigned long seed) : rng_(gsl_rng_alloc(gsl_rng_mt19937), gsl_rng_free) {
        gsl_rng_set(rng_.get(), seed);
    }
    double normal(double mean, double deviation) { return mean + gsl_ran_gaussian(rng_.get(), deviation); }
    Values normals(std::size_t n, double mean, double deviation) {
        Values out(n);
        for (double& value : out)
            value = normal(mean, deviation);
        return out;
    }

  private:
    std::unique_ptr<gsl_rng, void (*)(gsl_rng*)> rng_;
};

double mean_of(const Values& v) {
    return gsl_stats_mean(v.data(), 1, v.size());
}
double deviation_of(const Values& v) {
    return gsl_stats_sd(v.data(), 1, v.size());
}

// Student, "The probable error of a mean", Biometrika 1908: hours of sleep gained with two drugs. Data from
// memory.
const Values sleep_1 = {0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0};
const Values sleep_2 = {1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4};

}  // namespace

TEST_CASE("Student's quantiles are those of the printed tables") {
    // Any table of Student's t, 97.5 %; df 194 in NIST/SEMATECH e-Handbook 1.3.5.2.
    CHECK(student_quantile(0.975, 1) == Approx(12.706).margin(5e-4));
    CHECK(student_quantile(0.975, 4) == Approx(2.7764).margin(5e-5));
    CHECK(student_quantile(0.975, 9) == Approx(2.2622).margin(5e-5));
    CHECK(student_quantile(0.975, 17) == Approx(2.1098).margin(5e-5));
    CHECK(student_quantile(0.975, 30) == Approx(2.0423).margin(5e-5));
    CHECK(student_quantile(0.975, 100) == Approx(1.984).margin(5e-4));
    CHECK(student_quantile(0.975, 194) == Approx(1.9723).margin(5e-5));
    for (double freedom : {1.0, 1.7, 2.0, 3.3, 5.0, 11.944, 40.0, 998.0})
        for (double p : {0.6, 0.9, 0.95, 0.975, 0.999})
            CHECK(student_quantile(p, freedom) == Approx(gsl_cdf_tdist_Pinv(p, freedom)).epsilon(1e-9));
}

TEST_CASE("Mean and deviation have the certified digits of NIST's numerical accuracy sets") {
    // NIST Statistical Reference Datasets, univariate: NumAcc1 to NumAcc4, certified mean and deviation. From
    // memory.
    const Summary acc_1 = summarize(Values{10000001, 10000003, 10000002});
    CHECK(acc_1.mean == 10000002);
    CHECK(*acc_1.deviation == 1);

    const auto alternating = [](double first, double low, double high) {
        Values out{first};
        for (int i = 0; i < 500; ++i) {
            out.push_back(low);
            out.push_back(high);
        }
        return out;
    };
    const Summary acc_2 = summarize(alternating(1.2, 1.1, 1.3));
    CHECK(acc_2.mean == Approx(1.2).epsilon(1e-14));
    CHECK(*acc_2.deviation == Approx(0.1).epsilon(1e-13));
    const Summary acc_3 = summarize(alternating(1000000.2, 1000000.1, 1000000.3));
    CHECK(acc_3.mean == Approx(1000000.2).epsilon(1e-14));
    CHECK(*acc_3.deviation == Approx(0.1).epsilon(1e-8));
    const Summary acc_4 = summarize(alternating(10000000.2, 10000000.1, 10000000.3));
    CHECK(acc_4.mean == Approx(10000000.2).epsilon(1e-14));
    CHECK(*acc_4.deviation == Approx(0.1).epsilon(1e-7));
}

TEST_CASE("The interval of a mean is that of the e-Handbook and of Student's data") {
    // NIST/SEMATECH e-Handbook 1.3.5.2, ZARR13.
    const auto zarr13 = mean_interval(moments(195, 9.261460, 0.022789));
    CHECK(zarr13->low == Approx(9.258242).margin(1e-6));
    CHECK(zarr13->high == Approx(9.264679).margin(1e-6));
    // Recomputed from the data outside this program.
    const Summary drug = summarize(sleep_1);
    CHECK(drug.mean == Approx(0.75));
    CHECK(mean_interval(drug)->low == Approx(-0.52978).margin(5e-6));
    CHECK(mean_interval(drug)->high == Approx(2.02978).margin(5e-6));
}

TEST_CASE("Welch's test agrees with published results") {
    // NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B: miles per gallon of two fleets.
    const auto fleets = welch(moments(249, 20.14458, 6.41470), moments(79, 30.48101, 6.10771));
    CHECK(fleets->t == Approx(-12.94627).margin(5e-5));
    CHECK(fleets->freedom == Approx(136.875).margin(5e-3));
    CHECK(fleets->interval.low == Approx(-11.91524).margin(5e-5));
    CHECK(fleets->interval.high == Approx(-8.75762).margin(5e-5));

    // Student's sleep data, as R's t.test(extra ~ group, sleep) prints it.
    const auto sleep = welch(summarize(sleep_1), summarize(sleep_2));
    CHECK(sleep->t == Approx(-1.8608).margin(5e-5));
    CHECK(sleep->freedom == Approx(17.776).margin(5e-4));
    CHECK(sleep->p == Approx(0.07939).margin(5e-6));
    CHECK(sleep->interval.low == Approx(-3.3654832).margin(5e-8));
    CHECK(sleep->interval.high == Approx(0.2054832).margin(5e-8));

    // NIST/SEMATECH e-Handbook 7.3.1: assembly times, old and new procedure. Data from memory.
    const Summary old_way = summarize(Values{32, 37, 35, 28, 41, 44, 35, 31, 34});
    const Summary new_way = summarize(Values{36, 31, 30, 31, 34, 36, 29, 32, 31});
    CHECK(old_way.mean == Approx(35.2222).margin(5e-5));
    CHECK(*old_way.deviation == Approx(4.9441).margin(5e-5));
    CHECK(new_way.mean == Approx(32.2222).margin(5e-5));
    CHECK(*new_way.deviation == Approx(2.5386).margin(5e-5));
    CHECK(welch(old_way, new_way)->freedom == Approx(11.944).margin(5e-4));
    CHECK(welch(old_way, new_way)->t == Approx(1.61935).margin(5e-6));  // equal n: as the pooled t
}

TEST_CASE("Grubbs' statistic and critical values are the published ones") {
    // NIST/SEMATECH e-Handbook 1.3.5.17: uranium isotopes, G = 2.4687. From memory.
    const Values isotopes = {199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57};
    CHECK(grubbs_statistic(summarize(isotopes), 245.57) == Approx(2.4687).margin(1e-4));
    CHECK(outlier(isotopes) == std::size_t{7});
    // Grubbs and Beck, Technometrics 1972, two-sided 5 %, n = 3 to 10. From memory.
    const Values table = {1.155, 1.481, 1.715, 1.887, 2.020, 2.126, 2.215, 2.290};
    for (std::size_t i = 0; i < table.size(); ++i)
        CHECK(grubbs_critical(i + 3) == Approx(table[i]).margin(1e-3));
}

TEST_CASE("GSL computes the same from the same random trials") {
    Chance chance(1908);
    for (int round = 0; round < 50; ++round) {
        const Values a = chance.normals(3 + static_cast<std::size_t>(round) % 6, 48, 1 + round % 4);
        const Values b = chance.normals(3 + static_cast<std::size_t>(round) % 5, 17, 0.5);
        const Summary first = summarize(a);
        const Summary second = summarize(b);
        CHECK(first.mean == Approx(mean_of(a)).epsilon(1e-12));
        CHECK(*first.deviation == Approx(deviation_of(a)).epsilon(1e-12));

        const auto test = welch(first, second);
        CHECK(test->p == Approx(2 * gsl_cdf_tdist_Q(std::abs(test->t), test->freedom)).epsilon(1e-6));

        // Fieller: at either end Welch's t of b against that share of a is just at its critical value.
        const auto ratio = ratio_interval(second, first);
        REQUIRE(ratio);
        CHECK(ratio->contains(second.mean / first.mean));
        for (double end : {ratio->low, ratio->high}) {
            Values scaled = a;
            for (double& value : scaled)
                value *= end;
            const auto at_end = welch(second, summarize(scaled));
            CHECK(std::abs(at_end->t) == Approx(gsl_cdf_tdist_Pinv(0.975, at_end->freedom)).epsilon(1e-6));
        }
    }
}

TEST_CASE("Where only one of two samples varies the ratio's interval is Student's, divided") {
    const Summary varies = moments(5, 50, 2);
    const Summary steady = moments(4, 20, 0);
    const double half = gsl_cdf_tdist_Pinv(0.975, 4) * 2 / std::sqrt(5.0);
    const auto below = ratio_interval(steady, varies);
    CHECK(below->low == Approx(20 / (50 + half)).epsilon(1e-9));
    CHECK(below->high == Approx(20 / (50 - half)).epsilon(1e-9));
    const auto above = ratio_interval(varies, steady);
    CHECK(above->low == Approx((50 - half) / 20).epsilon(1e-9));
    CHECK(above->high == Approx((50 + half) / 20).epsilon(1e-9));
}

TEST_CASE("Intervals hold the truth as often as they claim") {
    Chance chance(20);
    constexpr int rounds = 4000;
    int mean_held = 0;
    int ratio_held = 0;
    int next_held = 0;
    int false_alarms = 0;
    for (int round = 0; round < rounds; ++round) {
        const Summary before = summarize(chance.normals(5, 48, 1.5));
        const Summary after = summarize(chance.normals(6, 16, 0.4));
        const Summary again = summarize(chance.normals(4, 48, 0.7));
        mean_held += mean_interval(before)->contains(48) ? 1 : 0;
        ratio_held += ratio_interval(after, before)->contains(16.0 / 48) ? 1 : 0;
        next_held += chance.normal(48, 1.5) < *next_value_bound(before) ? 1 : 0;
        // Calling a change certain and Welch's test are one and the same decision.
        const bool alarm = !ratio_interval(again, before)->contains(1);
        CHECK(alarm == (welch(again, before)->p < 0.05));
        false_alarms += alarm ? 1 : 0;
    }
    // Four standard errors of a share of 0.95 in 4000 are 0.014; Welch and Fieller are approximate by a
    // little more.
    CHECK(mean_held == Approx(0.95 * rounds).margin(0.014 * rounds));
    CHECK(next_held == Approx(0.95 * rounds).margin(0.014 * rounds));
    CHECK(ratio_held == Approx(0.95 * rounds).margin(0.02 * rounds));
    CHECK(false_alarms == Approx(0.05 * rounds).margin(0.02 * rounds));
}

TEST_CASE("Starts and reductions come out as the trade reckons them") {
    // Common practice, no source.
    TrialReader reader;
    reader.read(
        "load,fitting,volts,before_a,fan_running_a,start_a,running_a\n"
        "front,bare,120,0.4,2.65,34.69,13.5\n"
        "one,bare,120,0,,32.05,11\n"
        "one,soft-start,120,0,,11.81,11\n"
        "two,bare,120,0,,49.6,10\n"
        "two,soft-start,120,0,,10.74,10\n",
        "trade.csv");
    REQUIRE(reader.mistakes().empty());
    const Results results = evaluate(reader.trials(), reader.unit());
    const auto& front = results.fittings[0];
    CHECK(front.start_a.summary.mean == Approx(32.04));
    CHECK(front.start_va->summary.mean == Approx(3845).margin(0.5));
    CHECK(front.running_a.summary.mean == Approx(13.1));
    REQUIRE(results.comparisons.size() == 2);
    CHECK(results.comparisons[0].reduction_percent == Approx(63).margin(0.5));
    CHECK(results.comparisons[1].reduction_percent == Approx(78).margin(0.5));
}
