// A plan in words: for the terminal, and as JSON for programs. The sentences are those of the daemon.
#pragma once

#include <string>
#include <vector>

#include "daemon/output.h"
#include "daemon/plan/source_plan.h"

namespace ampmarshal::daemon::plan {

struct Plans {
    const rules::Rig& rig;
    Surroundings surroundings;
    Loads wanted;
    std::vector<SourcePlan> sources;
};

std::string table(const Plans& plans, Emphasis emphasis);
std::string as_json(const Plans& plans);

// The words that the page shares.
std::string names(const rules::Rig& rig, const Loads& loads);  ///< "A, B"; "nothing" if there are none
std::string why(const Plans& plans, const SourcePlan& plan, const rules::Reason& reason);
/// Who, why, and whether it takes turns or would run turned down.
std::string left_out(const Plans& plans, const SourcePlan& plan, const LeftOut& left);
/// What stands in the matrix: "yes", "turn", "no" or, on its diagonal, "alone".
std::string word(const SourcePlan& plan, std::size_t starting, std::size_t running);
/// "A and B", which can both start, but not at the same moment.
std::vector<std::string> never_at_once(const Plans& plans, const SourcePlan& plan);
std::vector<std::string> changes(const Plans& plans, const SourcePlan& plan);
std::vector<std::string> what_happens(const Plans& plans, const SourcePlan& plan);
std::string lasts(const Margin& margin);
/// How far the line falls; empty where the supply's resistance is not known.
std::string line(const Plans& plans, const SourcePlan& plan);

}  // namespace ampmarshal::daemon::plan
