// A source is where the rig's power comes from right now: a pedestal, a household outlet, a generator. The
// user describes it by what its plate says; `compile` turns the plate into limits, and everything else in the
// rules knows only limits. A limit covers a set of rig legs, and the current through it is the sum of those
// legs' currents. What must hold for a limit:
//   - the ceiling is never exceeded, not for one sample;
//   - no thermal image reaches 1;
//   - what stays on is at most the steady limit.
// docs/supply.md derives every constant used here.
#pragma once

#include <string>
#include <variant>
#include <vector>

#include "rules/legs.h"
#include "rules/thermal_image.h"

namespace ampmarshal::rules {

/// How the source's conductors reach the rig's legs.
enum class Feed {
    one_leg,         ///< the rig has one leg, fed by one conductor
    two_legs,        ///< 120/240 V: each rig leg has a conductor of its own, 240 V loads work
    shared_by_legs,  ///< an adapter feeds both rig legs from one conductor: their currents add, 240 V loads
                     ///< are dead
};

/// A circuit breaker, as on a pedestal or behind a household outlet.
struct BreakerPlate {
    double rating_a;
};

/// A generator's plate. Watts are at unity power factor; the current limits follow from the nominal voltage.
struct GeneratorPlate {
    double running_w;
    double starting_w;      ///< >= running_w
    Duration starting_for;  ///< how long it carries its starting rating from cold
};

using Plate = std::variant<BreakerPlate, GeneratorPlate>;

struct Limit {
    std::string name;  ///< as a person would call it: "30 A breaker", "generator, L1"
    LegSet legs;
    double ceiling_a;
    double steady_a;
    std::vector<ThermalImage> images;
};

struct Source {
    std::string id;
    std::string name;
    double nominal_v;
    Feed feed;
    std::vector<Limit> limits;

    /// True if the source can power a load on these legs at all (a 240 V load needs two real legs).
    bool serves(LegSet legs) const;
};

/// The early edge of a breaker's thermal band, used for every decision: pick-up at the rating, and a time
/// constant such that 2.55 x rating from cold takes one second, the shortest that IEC 60898-1 allows.
ThermalImage breaker_early_edge(double rating_a);

/// The late edge: the slowest breaker that still meets UL 489's 200 % maximum for its rating. Only told,
/// never relied on.
ThermalImage breaker_late_edge(double rating_a);

/// The rule that a load lasting three hours or more should stay within 80 % of the rating, as a slow image.
ThermalImage continuous_load_image(double rating_a);

/// Turns a plate into limits. The plate must be valid (see `plate_fault`).
Source compile(std::string id, std::string name, double nominal_v, Feed feed, const Plate& plate);

/// What is impossible about a plate and what would be right, or an empty string if nothing is.
std::string plate_fault(const Plate& plate);

}  // namespace ampmarshal::rules
