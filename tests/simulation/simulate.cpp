// simulate: runs random rigs with faults through the whole program in simulated time and checks what must
// never happen. Everything follows from seeds. A run that breaks a rule prints its seed, the rule, and the
// smallest case that still breaks it: a command that repeats it, its faults, and its configuration.
//
//   simulate [--seed N] [--runs R | --minutes M] [--days D]
//       R rigs from seed N on, or as many as M minutes allow
//   simulate --seeds N,N,... [--days D]
//       these rigs
//   simulate --seed N --days D --trace FILE
//       one run again, with all that happened
//
// Exit code 0 only if no rule was broken. The base seed is printed; AMPMARSHAL_TEST_SEED gives it, too.
#include <CLI/CLI.hpp>
#include <chrono>
#include <cstdio>
#include <ctime>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "tests/simulation/run.h"

namespace ampmarshal::tests {
namespace {

struct Options {
    std::uint64_t seed = 1;
    std::vector<std::uint64_t> seeds;
    int runs = 0;
    double minutes = 0;
    double days = 0.5;
    double until_s = 0;
    std::string trace;
    std::vector<std::string> loads;
    std::vector<std::size_t> faults;
    int shrink_tries = 150;
};

using Seed = unsigned long long;

void tell_broken(const Broken& broken) {
    std::printf("  %s: broken at %.2f s by %s\n", broken.rule.c_str(),
                rules::seconds(broken.at.time_since_epoch()), broken.what.c_str());
}

void tell_case(const Case& c, const Options& options) {
    std::string loads;
    for (const auto& load : c.plan.loads)
        if (load.name != "base") loads += (loads.empty() ? "" : ",") + load.name;
    std::string faults;
    for (const Fault& fault : c.faults)
        faults += (faults.empty() ? "" : ",") + std::to_string(fault.number);
    std::printf("  again: simulate --seed %llu --days %g --until %.2f --loads %s%s%s --trace run.txt\n",
                static_cast<Seed>(c.seed), options.days, rules::seconds(c.time), loads.c_str(),
                c.healthy ? "" : " --faults ",
                c.healthy        ? ""
                : faults.empty() ? "9999"
                                 : faults.c_str());
    for (const Fault& fault : c.faults)
        std::printf("  fault %s\n", describe(fault).c_str());
    std::printf("%s\n", configuration_file(c).c_str());
}

/// The case of a seed, narrowed to what the command line asks for.
Case asked_for(std::uint64_t seed, const Options& options) {
    Case c = draw_case(seed, rules::from_seconds(options.days * 86400));
    if (!options.loads.empty()) c = with_loads(c, options.loads);
    if (!options.faults.empty()) c = with_faults(c, options.faults);
    if (options.until_s > 0) c.time = std::min(c.time, rules::from_seconds(options.until_s));
    return c;
}

struct Total {
    int runs = 0;
    double days = 0;
    Figures figures;
    std::map<std::string, int> broken;

    void add(const Outcome& outcome) {
        ++runs;
        days += rules::seconds(outcome.lived) / 86400;
        figures += outcome.figures;
        if (outcome.broken) ++broken[outcome.broken->rule];
    }
};

void run_one(std::uint64_t seed, const Options& options, std::FILE* trace, Total& total) {
    const Case c = asked_for(seed, options);
    const Outcome outcome = run(c, trace);
    total.add(outcome);
    if (!outcome.broken) return;
    std::printf("seed %llu, %zu loads, %zu faults\n", static_cast<Seed>(seed), c.plan.loads.size(),
                c.faults.size());
    tell_broken(*outcome.broken);
    if (options.shrink_tries > 0) tell_case(shrink(c, *outcome.broken, options.shrink_tries), options);
    std::fflush(stdout);
}

void tell_total(const Total& total, double took_s) {
    const double cpu_s = static_cast<double>(std::clock()) / CLOCKS_PER_SEC;
    std::printf("%d runs, %.1f rig-days in %.0f s, %.2f rig-days per second of a core\n", total.runs,
                total.days, took_s, total.days / cpu_s);
    std::printf("%.2f operations per load and hour in healthy rigs; %d trips that a fault made unavoidable\n",
                total.figures.healthy_operations / std::max(1.0, total.figures.healthy_load_hours),
                total.figures.trips_excused);
    for (const auto& [rule, times] : total.broken)
        std::printf("BROKEN %d times: %s\n", times, rule.c_str());
    if (total.broken.empty()) std::printf("no rule was broken\n");
}

int simulate(const Options& options) {
    struct Close {
        void operator()(std::FILE* file) const { std::fclose(file); }
    };
    std::unique_ptr<std::FILE, Close> trace;
    if (!options.trace.empty()) {
        trace.reset(std::fopen(options.trace.c_str(), "w"));
        if (!trace) {
            std::fprintf(stderr, "cannot write '%s'; give another file to --trace\n", options.trace.c_str());
            return 2;
        }
    }
    if (options.seeds.empty()) std::printf("base seed %llu\n", static_cast<Seed>(options.seed));
    std::fflush(stdout);
    const auto began = std::chrono::steady_clock::now();
    const auto took_s = [&] {
        return std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
    };
    Total total;
    for (const std::uint64_t seed : options.seeds)
        run_one(seed, options, trace.get(), total);
    const int once = options.seeds.empty() ? 1 : 0;
    const int runs = options.runs > 0 ? options.runs : options.minutes > 0 ? 1'000'000 : once;
    for (int r = 0; r < runs && (options.minutes <= 0 || took_s() < 60 * options.minutes); ++r)
        run_one(options.seed + static_cast<std::uint64_t>(r), options, trace.get(), total);
    tell_total(total, took_s());
    return total.broken.empty() ? 0 : 1;
}

int main(int argc, char** argv) {
    Options options;
    CLI::App app{"Random rigs with faults in simulated time"};
    app.add_option("--seed", options.seed, "Of the first run; each has the next one")
        ->envname("AMPMARSHAL_TEST_SEED");
    app.add_option("--seeds", options.seeds, "These rigs, and others only with --runs or --minutes")
        ->delimiter(',');
    app.add_option("--runs", options.runs, "How many")->check(CLI::PositiveNumber);
    app.add_option("--minutes", options.minutes, "Or for how long")->check(CLI::PositiveNumber);
    app.add_option("--days", options.days, "That each lasts, in the rig's time")
        ->check(CLI::Range(0.01, 1000.0));
    app.add_option("--until", options.until_s, "Ends a run early, after so many seconds of the rig's time");
    app.add_option("--trace", options.trace, "Writes the log and what really happened to this file");
    app.add_option("--loads", options.loads, "Only these loads")->delimiter(',');
    app.add_option("--faults", options.faults,
                   "Only the faults with these numbers; a number that no fault has for none")
        ->delimiter(',');
    app.add_option("--shrink", options.shrink_tries, "Runs that may be spent on making a failure smaller");
    CLI11_PARSE(app, argc, argv);
    return simulate(options);
}

}  // namespace
}  // namespace ampmarshal::tests

int main(int argc, char** argv) {
    return ampmarshal::tests::main(argc, argv);
}
