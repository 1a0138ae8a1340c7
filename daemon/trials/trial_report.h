// Results of trials as text: a table for the terminal, JSON for programs, and load profiles for the
// configuration.
#pragma once

#include <string>

#include "daemon/output.h"
#include "daemon/trials/trial_results.h"

namespace ampmarshal::daemon::trials {

/// What a comparison says, in a sentence or two.
std::string verdict(const Comparison& comparison);
/// "bare, 5 trials at 119 V"
std::string heading(const FittingResult& result);

std::string table(const Results& results, Emphasis emphasis);

std::string as_json(const Results& results);

/// The loads with their stages, as a configuration has them; comments tell what they rest on. Of each load
/// the fitting that comes last is taken: that is how the rig stands now.
std::string profiles(const Results& results);

}  // namespace ampmarshal::daemon::trials
