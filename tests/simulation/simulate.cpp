// simulate: runs random rigs through the whole program in simulated time and checks, by the virtual rig's own
// physics and not by rules/, what must never happen. Every run follows from its seed; a broken one prints it.
//
//   simulate [--seed N] [--runs R] [--hours H] [--trace]
//
// Exit code 0 only if no rule was broken. The base seed is printed and may be given by AMPMARSHAL_TEST_SEED.
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <string_view>

#include "tests/simulation/random_rig.h"
#include "tests/support/simulated_rig.h"

namespace ampmarshal::tests {
namespace {

struct Options {
    std::uint64_t seed = 1;
    int runs = 20;
    double hours = 2;
    bool trace = false;
};

/// What a run came to; every count of a broken rule must be zero.
struct Outcome {
    std::size_t trips = 0;
    int overlaps = 0;
    int short_cycles = 0;
    double operations_per_load_hour = 0;

    bool broken() const { return trips != 0 || overlaps != 0 || short_cycles != 0; }
};

Outcome judge(const virtual_rig::Truth& truth, double hours) {
    Outcome outcome{truth.trips.size(), truth.overlaps_beyond_limit, 0, 0};
    int operations = 0;
    for (const auto& load : truth.loads) {
        outcome.short_cycles += load.short_cycles;
        operations += load.operations;
    }
    outcome.operations_per_load_hour = operations / hours / static_cast<double>(truth.loads.size());
    return outcome;
}

Outcome run(std::uint64_t seed, const Options& options) {
    const auto time = rules::from_seconds(options.hours * 3600);
    SimulatedRig rig(random_rig(seed, time), seed);
    if (options.trace) rig.trace();
    rig.run_for(time);
    const virtual_rig::Truth truth = rig.truth();
    const Outcome outcome = judge(truth, options.hours);
    if (outcome.broken()) {
        std::printf("seed %llu: %zu trips, %d overlapping starts, %d short cycles; %s\n",
                    static_cast<unsigned long long>(seed), outcome.trips, outcome.overlaps,
                    outcome.short_cycles, rig.rig().drawn().c_str());
        for (const auto& trip : truth.trips)
            std::printf("  %s at %.2f s, %.1f A\n", trip.limit.c_str(),
                        rules::seconds(trip.at.time_since_epoch()), trip.current_a);
    }
    return outcome;
}

bool read(int argc, char** argv, Options& options) {
    if (const char* seed = std::getenv("AMPMARSHAL_TEST_SEED"))
        options.seed = std::strtoull(seed, nullptr, 10);
    for (int i = 1; i < argc; ++i) {
        const std::string_view name = argv[i];
        if (name == "--trace") {
            options.trace = true;
            continue;
        }
        if (i + 1 == argc) return false;
        const char* value = argv[++i];
        if (name == "--seed")
            options.seed = std::strtoull(value, nullptr, 10);
        else if (name == "--runs")
            options.runs = std::atoi(value);
        else if (name == "--hours")
            options.hours = std::atof(value);
        else
            return false;
    }
    return options.runs > 0 && options.hours > 0;
}

int main(int argc, char** argv) {
    Options options;
    if (!read(argc, argv, options)) {
        std::fprintf(stderr, "usage: simulate [--seed N] [--runs R] [--hours H] [--trace]\n");
        return 2;
    }
    std::printf("base seed %llu\n", static_cast<unsigned long long>(options.seed));
    const auto began = std::chrono::steady_clock::now();
    int broken = 0;
    double operations = 0;
    for (int r = 0; r < options.runs; ++r) {
        const Outcome outcome = run(options.seed + static_cast<std::uint64_t>(r), options);
        broken += outcome.broken() ? 1 : 0;
        operations += outcome.operations_per_load_hour;
    }
    const double took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
    const double days = options.runs * options.hours / 24;
    std::printf("%d of %d runs broken; %.1f rig-days at %.2f a second; %.1f operations per load and hour\n",
                broken, options.runs, days, days / took_s, operations / options.runs);
    return broken == 0 ? 0 : 1;
}

}  // namespace
}  // namespace ampmarshal::tests

int main(int argc, char** argv) {
    return ampmarshal::tests::main(argc, argv);
}
