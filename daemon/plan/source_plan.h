// All that a plan tells about one source. `make_plan` asks a Planner; the report and the page only write down
// what is in here.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "daemon/plan/planner.h"

namespace ampmarshal::daemon::plan {

enum class Together {
    at_once,  ///< both may start, even at the same moment
    in_turn,  ///< one may start on top of the other running, but not at the same moment
    no,
};

/// Whether one load may start on top of another one that runs.
struct Cell {
    Together together;
    std::optional<rules::Reason> why{};  ///< if not
};

/// One start in the order, on top of all before it, at the limit that has least room for it.
struct Step {
    rules::LoadIndex load;
    std::size_t limit;
    double before_a;   ///< through that limit
    double peak_a;     ///< the highest it may come to, with what may start by itself
    double allowed_a;  ///< the most it may be for as long as the start takes
    double after_a;
    std::optional<double> line_v{};  ///< lowest on the load's legs, if the supply's resistance is known
};

/// What is left of one limit once the best set runs.
struct Margin {
    double running_a;
    double steady_a;
    double peak_a;  ///< highest of all the starts in their order
    double ceiling_a;
    std::optional<rules::Duration> lasts{};  ///< until it is too much; nothing if it is never
};

struct LeftOut {
    rules::LoadIndex load;
    rules::Reason why;  ///< on top of those of the set that rank higher
    std::optional<rules::LoadIndex>
        turns_with{};                   ///< of the set: in its place it would run, and they take turns
    std::optional<double> runs_at_a{};  ///< of an adjustable load: so far turned down it runs beside the set
};

/// What is shed when an observed load comes on.
struct Shed {
    rules::LoadIndex observed;
    Loads shed;
};

/// Changes of which each by itself makes all that is wanted fit.
struct Changes {
    struct SmallerStart {
        rules::LoadIndex load;
        double start_a;  ///< at most
    };
    Loads drop;
    Loads unused;  ///< observed loads for which room is kept: were they not there, all would fit
    std::vector<SmallerStart> smaller;
    std::vector<rules::SourceIndex> sources;
};

struct SourcePlan {
    rules::SourceIndex source = 0;
    Loads loads;  ///< that the matrix is about, by rank, observed ones last
    std::vector<std::optional<rules::Reason>> alone;  ///< why it cannot start with nothing else on
    std::vector<std::vector<Cell>> matrix;            ///< [starting][running], as in `loads`
    Loads set;  ///< the best of what is wanted, in the order to start them in
    std::vector<Step> steps;
    Loads no_return;  ///< of the set: once stopped, it cannot start again while the others run
    std::vector<LeftOut> left_out;
    std::vector<Margin> margins;        ///< as the source's limits
    std::optional<double> running_v{};  ///< lowest of the legs while the set runs
    std::vector<Shed> sheds;
    std::optional<Changes> changes{};  ///< only where not all that is wanted fits

    bool all_fit() const { return left_out.empty(); }
};

SourcePlan make_plan(const Planner& planner, const Loads& wanted);

}  // namespace ampmarshal::daemon::plan
