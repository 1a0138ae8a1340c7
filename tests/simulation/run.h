// Runs one case through the whole program in simulated time, under the eyes of the judge.
#pragma once

#include <cstdio>
#include <optional>

#include "tests/simulation/judge.h"

namespace ampmarshal::tests {

struct Outcome {
    std::optional<Broken> broken;
    Figures figures;
    rules::Duration lived;  ///< it ends with the first broken rule
};

/// `trace` may be nullptr; else every line of the daemon's log and of the rig's story goes there.
Outcome run(const Case& c, std::FILE* trace);

/// A case that breaks the same rule with less: shorter, fewer faults, fewer loads. It tries at most so often.
Case shrink(const Case& broken, const Broken& how, int tries);

}  // namespace ampmarshal::tests
