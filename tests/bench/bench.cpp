// ampmarshal_bench PATH_OF_AMPMARSHALD: what a decision costs. Ends with 1 if a goal is missed.
#include "tests/bench/bench.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <exception>

namespace ampmarshal::bench {

double quantile(std::vector<double> samples, double share) {
    const auto at = samples.begin() + std::lround(share * static_cast<double>(samples.size() - 1));
    std::nth_element(samples.begin(), at, samples.end());
    return *at;
}

}  // namespace ampmarshal::bench

int main(int argc, char** argv) {
    if (argc != 2) {
        std::fprintf(stderr, "usage: %s PATH_OF_AMPMARSHALD\n", argv[0]);
        return 2;
    }
    try {
        const bool marshal_meets = ampmarshal::bench::bench_marshal();
        const bool daemon_meets = ampmarshal::bench::bench_daemon(argv[1]);
        return marshal_meets && daemon_meets ? 0 : 1;
    } catch (const std::exception& e) {
        std::fprintf(stderr, "bench: %s\n", e.what());
        return 1;
    }
}
