// Draws a rig and its days at random: one or two legs, breakers and generators with a true trip point from
// the whole band, few loads or many, two of the same air conditioner, heavy rooms and light ones, hot days
// and cold, a second source to plug into. Everything follows from the seed. What is drawn is possible, not
// always sensible: nothing promises that all loads fit the source together, only that what ampmarshal cannot
// control leaves room on it (a rig whose uncontrolled loads alone trip the breaker proves nothing).
#pragma once

#include <cstdint>

#include "adapters/virtual_rig/plan.h"

namespace ampmarshal::tests {

virtual_rig::RigPlan random_rig(std::uint64_t seed, rules::Duration time);

/// The least that a limit of this source carries for long, in amperes on one leg.
double least_carried_a(const virtual_rig::SourcePlan& source);

}  // namespace ampmarshal::tests
