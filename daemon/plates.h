// Reads what plates say out of a configuration's sections: the plates of sources, and the nameplates of
// motors whose start nobody has measured yet. Mistakes go where the section puts them; what is possible but
// may not be meant goes to `warnings`.
#pragma once

#include <optional>
#include <vector>

#include "daemon/section.h"
#include "rules/source.h"

namespace ampmarshal::daemon {

inline constexpr double largest_a = 1000;

/// The members that belong to the source's kind; nothing if the kind is mistaken.
std::optional<rules::Plate> read_plate(Section& section, Mistakes& warnings);

/// The stages of protection in series behind a source that is fed as `source` is.
std::vector<rules::Behind> read_behind(Section& section, rules::Feed source, Mistakes& warnings);

/// A stage's start current: measured ("start_a"), or else estimated for a motor rated at `motor_v`.
double read_start_a(Section& section, double motor_v, Mistakes& warnings);

}  // namespace ampmarshal::daemon
