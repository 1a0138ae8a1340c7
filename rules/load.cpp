#include "rules/load.h"

#include <algorithm>

namespace ampmarshal::rules {

double Load::running_a() const {
    double sum_a = 0;
    for (const Stage& stage : stages)
        sum_a += stage.running_a;
    return sum_a;
}

double Load::start_a(std::size_t settled) const {
    double before_a = 0;
    double highest_a = 0;
    for (std::size_t s = settled; s < stages.size(); ++s) {
        highest_a = std::max(highest_a, before_a + stages[s].start_a);
        before_a += stages[s].running_a;
    }
    return highest_a;
}

Duration Load::start_window() const {
    Duration longest{};
    for (const Stage& stage : stages)
        longest = std::max(longest, stage.start_window);
    return longest;
}

bool Load::starts_hard() const {
    return std::any_of(stages.begin(), stages.end(),
                       [](const Stage& s) { return s.start_a > 1.2 * s.running_a; });
}

}  // namespace ampmarshal::rules
