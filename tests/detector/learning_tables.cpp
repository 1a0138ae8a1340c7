#include <algorithm>
#include <cstdio>
#include <string>
#include <vector>

#include "rules/learned_starts.h"
#include "tests/detector/tables.h"

namespace ampmarshal::detector {

namespace {

using namespace rules;
using namespace std::chrono_literals;

constexpr double usual_peak_a = 40;

/// One way in which starts differ from each other though nothing is wrong: a factor for the n-th start's
/// peak.
struct Scatter {
    const char* name;
    double (*factor)(Random& random, int n);
};

double around(Random& random, double share) {
    return std::max(0.3, 1 + share * random.gaussian());
}

const Scatter scatters[] = {
    {"5 %", [](Random& r, int) { return around(r, 0.05); }},
    {"10 %", [](Random& r, int) { return around(r, 0.10); }},
    {"15 %", [](Random& r, int) { return around(r, 0.15); }},
    {"20 %", [](Random& r, int) { return around(r, 0.20); }},
    {"5 %, and one in ten half as high again",
     [](Random& r, int) { return around(r, 0.05) * (r.uniform() < 0.1 ? 1.5 : 1); }},
    {"5 %, and up and down by 10 % over 500 starts",
     [](Random& r, int n) { return around(r, 0.05) * (n / 250 % 2 == 0 ? 0.9 : 1.1); }},
};

SeenStart start_of(double peak_a) {
    return {.peak_a = peak_a,
            .running_a = 10,
            .lasted = 300ms,
            .period = 20ms,
            .saw_peak = true,
            .line_share = 1.0,
            .source = 0};
}

Stage configured(double start_a) {
    return {"compressor", start_a, 600ms, 10, 20s};
}

/// Does a history of so many starts raise an alarm in which nothing grows?
bool raises_false_alarm(const Scatter& scatter, std::uint64_t seed, int starts) {
    Random random(seed, 3);
    StageProfile profile(configured(usual_peak_a));
    for (int n = 0; n < starts; ++n) {
        profile.learn(start_of(usual_peak_a * scatter.factor(random, n)));
        if (profile.departure()) return true;
    }
    return false;
}

/// How many starts it takes until it is told that the peak has grown; `at_most` if it takes longer.
int starts_until_told(const Scatter& scatter, std::uint64_t seed, double growth, int at_most) {
    Random random(seed, 4);
    StageProfile profile(configured(usual_peak_a));
    int n = 0;
    for (; n < 30; ++n)
        profile.learn(start_of(usual_peak_a * scatter.factor(random, n)));
    for (int more = 1; more < at_most; ++more) {
        profile.learn(start_of(growth * usual_peak_a * scatter.factor(random, n++)));
        if (profile.departure()) return more;
    }
    return at_most;
}

}  // namespace

void print_drift() {
    constexpr int histories = 200;
    constexpr int starts = 1000;
    constexpr int at_most = 200;
    constexpr double growths[] = {1.25, 4.0 / 3, 44.0 / 31, 1.6};
    std::printf("| Scatter | False alarms in %d times %d starts |", histories, starts);
    for (double growth : growths)
        std::printf(" Starts until told of %.0f %% more |", 100 * (growth - 1));
    std::printf("\n|---|---|---|---|---|---|\n");
    for (const Scatter& scatter : scatters) {
        int alarms = 0;
        for (std::uint64_t seed = 1; seed <= histories; ++seed)
            alarms += raises_false_alarm(scatter, seed, starts) ? 1 : 0;
        std::printf("| %s | %d |", scatter.name, alarms);
        for (double growth : growths) {
            std::vector<int> told;
            for (std::uint64_t seed = 1; seed <= histories; ++seed)
                told.push_back(starts_until_told(scatter, seed, growth, at_most));
            std::nth_element(told.begin(), told.begin() + histories / 2, told.end());
            const int middle = told[histories / 2];
            std::printf(middle < at_most ? " %d |" : " over %d |", middle);
        }
        std::printf("\n");
    }
}

void print_lowering() {
    constexpr int histories = 200;
    constexpr int starts = 500;
    std::printf(
        "| Scatter | Configured %.0f A, decided with | Starts above that, in 100,000 | The highest, above "
        "that |\n|---|---|---|---|\n",
        2 * usual_peak_a);
    for (const Scatter& scatter : scatters) {
        std::vector<double> decided_a;
        int above = 0;
        double highest = 0;
        for (std::uint64_t seed = 1; seed <= histories; ++seed) {
            Random random(seed, 5);
            StageProfile profile(configured(2 * usual_peak_a));
            for (int n = 0; n < starts; ++n) {
                const double start_a = profile.believed(0).start_a;
                const double peak_a = usual_peak_a * scatter.factor(random, n);
                profile.learn(start_of(peak_a));
                if (n < static_cast<int>(StageProfile::remembered)) continue;
                decided_a.push_back(start_a);
                above += peak_a > start_a ? 1 : 0;
                highest = std::max(highest, peak_a / start_a - 1);
            }
        }
        std::sort(decided_a.begin(), decided_a.end());
        std::printf("| %s | %.0f A | %.0f |", scatter.name, decided_a[decided_a.size() / 2],
                    1e5 * above / static_cast<double>(decided_a.size()));
        std::printf(above > 0 ? " %.0f %% |\n" : " |\n", 100 * highest);
    }
}

}  // namespace ampmarshal::detector
