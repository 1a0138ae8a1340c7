// What the Marshal would answer, asked ahead of time: may this load start on this source while those run?
// Everything is weighed with the functions that the Marshal decides with (rules/standing.h), so that a plan
// and the daemon cannot disagree; a test asks both.
//
// A Planner stands for one source of one rig. What runs is taken to have run long enough to warm the source;
// what is observed and not running may start at any moment, as for the Marshal. Every answer can only turn
// from yes to no as more runs. Two things follow, and make exact answers cheap:
//   - whoever can start last may as well do so: an order is found from its end, or there is none;
//   - every part of a set that runs together runs together, too: keeping each load that still fits, from
//     rank 1 on, gives the best set by rank.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "rules/marshal.h"
#include "rules/standing.h"

namespace ampmarshal::daemon::plan {

using Loads = std::vector<rules::LoadIndex>;
using LoadSpan = std::span<const rules::LoadIndex>;

/// What a configuration does not tell.
struct Surroundings {
    double background_a = 0;  ///< what flows on each leg besides the loads
    double loop_ohm = 0;      ///< of all that feeds the rig, both ways; 0: the line is taken as stiff
};

class Planner {
  public:
    /// The rig must outlive the planner.
    Planner(const rules::Rig& rig, rules::SourceIndex source, Surroundings surroundings);

    /// Why `load` may not start while `running` runs and `standing` may start at the same moment, in the
    /// Marshal's words; nothing if it may.
    std::optional<rules::Reason> start(rules::LoadIndex load, LoadSpan running, LoadSpan standing = {}) const;
    /// Why all of them cannot go on running.
    std::optional<rules::Reason> stay(LoadSpan running) const;
    /// In this order each starts on top of those before it, and then all go on running; nothing if there is
    /// no such order. What is observed comes first: nobody can tell it to wait.
    std::optional<Loads> order(LoadSpan set) const;
    /// The best set by rank out of `wanted`.
    Loads best(LoadSpan wanted) const;
    /// Who is shed when all of these run, the lowest rank last.
    Loads shed_of(LoadSpan running) const;

    /// What flows while these run and, of what may start by itself, the start of `starting` on top.
    rules::Prospect prospect(LoadSpan running, LoadSpan starting) const;
    /// Every image of every limit, in order, once these have run for a while.
    std::vector<double> heat(LoadSpan running) const;
    /// Of one leg, while this flows through the legs.
    double line_v(rules::Leg leg, const rules::PerLeg<double>& current_a) const;

    const rules::Rig& rig() const { return rig_; }
    const rules::Source& source() const { return rig_.sources[index_]; }
    rules::SourceIndex source_index() const { return index_; }
    const Surroundings& surroundings() const { return surroundings_; }

  private:
    std::vector<double> warmed(std::vector<double> theta, const rules::Prospect& prospect) const;
    std::optional<rules::Reason> sags(const rules::Load& load, const rules::Prospect& prospect) const;
    rules::PerLeg<double> flowing_a(LoadSpan running) const;

    const rules::Rig& rig_;
    rules::SourceIndex index_;
    Surroundings surroundings_;
    rules::Duration reaction_;
    Loads by_rank_;
};

/// The set without one load.
Loads without(LoadSpan set, rules::LoadIndex load);

}  // namespace ampmarshal::daemon::plan
