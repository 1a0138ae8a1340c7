// Results of trials as one self-contained page: no script, nothing loaded from elsewhere, fit for paper, a
// phone and a dark room. Charts are SVG drawn to the width they are shown at; every figure in them also
// stands in a table.
#pragma once

#include <string>
#include <vector>

#include "daemon/trials/trial_results.h"

namespace ampmarshal::daemon::trials {

/// What a source allows on one leg, as a line in the charts.
struct SourceMark {
    std::string name;
    double ceiling_a;  ///< no start may go beyond
    double steady_a;   ///< what may stay on
};

std::string page(const Results& results, const std::vector<SourceMark>& sources);

}  // namespace ampmarshal::daemon::trials
