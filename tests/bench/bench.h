// The parts of the bench. Each prints what it finds and returns false where a goal is missed.
#pragma once

#include <string>
#include <vector>

namespace ampmarshal::bench {

/// The value that `share` of the samples do not exceed; the samples must not be empty.
double quantile(std::vector<double> samples, double share);

/// Marshal by itself: time and allocations per meter sample.
bool bench_marshal();

/// ampmarshald as a program, on a broker of its own, against a client that only answers.
bool bench_daemon(const std::string& ampmarshald);

}  // namespace ampmarshal::bench
