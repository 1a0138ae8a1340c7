// A leg whose meter tells watts is counted in watts over volts: in the part of the current that carries
// power. What the rules compare must then be counted likewise. A load that tells its power factor shows on
// such a meter as its current times that (P = V I cos phi), which is exact against a limit in watts; a limit
// in amperes carries the whole current, so it is lowered by the lowest power factor among the loads behind
// it. docs/supply.md says what that leaves out.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "rules/marshal.h"

namespace ampmarshal::daemon {

/// `power_factors` are by LoadIndex, above 0 and at most 1; `limits_in_watts` says, by SourceIndex, how many
/// of the source's limits, from the first on, come from a plate in watts.
/// Returns, by SourceIndex, the share of its amperes that the most lowered limit is left with.
std::vector<double> count_in_watts(rules::Rig& rig, rules::LegSet legs_in_watts,
                                   std::span<const double> power_factors,
                                   std::span<const std::size_t> limits_in_watts);

}  // namespace ampmarshal::daemon
