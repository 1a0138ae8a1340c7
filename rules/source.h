// A source is where the rig's power comes from right now: a pedestal, a household outlet, a generator. The
// user describes it by what its plate says; `compile` turns the plate into limits, and everything else in the
// rules knows only limits. A limit covers a set of rig legs, and the current through it is the sum of those
// legs' currents. What must hold for a limit:
//   - the ceiling is never exceeded, not for one sample;
//   - no thermal image reaches 1;
//   - what stays on is at most the steady limit.
// docs/supply.md derives every constant used here.
#pragma once

#include <limits>
#include <optional>
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

/// What stays on is kept to this share of a rating: a breaker holds 100 % (UL 489), the rest is for the
/// meter's error.
inline constexpr double default_steady_share = 0.95;
/// What lasts three hours or more is kept to this share of a breaker's rating (NEC article 100, 210.20(A)).
inline constexpr double default_continuous_share = 0.8;

/// Starts that need more than this share of a generator's starting rating are told (common practice, no
/// source).
inline constexpr double tight_start_share = 0.9;

/// A circuit breaker, as on a pedestal or behind a household outlet. Also stands for a cord or an adapter of
/// this rating.
struct BreakerPlate {
    double rating_a;
    double steady_share = default_steady_share;          ///< of the rating, or of what heat leaves of it
    double continuous_share = default_continuous_share;  ///< 1: built to carry its rating all day
    double ambient_share = 1;  ///< what heat leaves of the thermal trip, see breaker_ambient_share
};

/// A generator's plate. Watts are at unity power factor; the current limits follow from the nominal voltage.
struct GeneratorPlate {
    double running_w;
    double starting_w;      ///< >= running_w
    Duration starting_for;  ///< how long it carries its starting rating from cold
    double steady_share = default_steady_share;
    double site_share = 1;  ///< what altitude and heat leave of both ratings, see derating.h
};

/// An inverter's plate.
struct InverterPlate {
    double continuous_w;
    double surge_w;      ///< >= continuous_w
    Duration surge_for;  ///< how long it carries the surge from cold
    double steady_share = default_steady_share;
};

using Plate = std::variant<BreakerPlate, GeneratorPlate, InverterPlate>;

/// A second stage of protection in series with the source: the rig's own main breaker, a cord or an adapter
/// rated lower. Its limits come on top of the source's; the tightest of all decides.
struct Behind {
    std::string name;
    Feed feed;  ///< how its own conductors reach the legs: a main breaker may sit behind a shared adapter
    BreakerPlate plate;
};

/// When a source that lives on a battery must rest.
struct LowBattery {
    double stop_below_percent;
    double resume_from_percent;  ///< > stop_below_percent, so that it does not flap
};

struct Limit {
    std::string name;  ///< as a person would call it: "30 A breaker", "generator, L1"
    LegSet legs;
    double ceiling_a;
    double steady_a;
    std::vector<ThermalImage> images;
    /// A start that may bring the current above this is told beforehand: an engine stumbles before its
    /// rating.
    double tight_a = std::numeric_limits<double>::infinity();
};

struct Source {
    std::string id;
    std::string name;
    double nominal_v;
    Feed feed;
    std::vector<Limit> limits;
    std::optional<LowBattery> low_battery{};

    /// True if the source can power a load on these legs at all (a 240 V load needs two real legs).
    bool serves(LegSet legs) const;
};

/// The early edge of a breaker's thermal band, used for every decision: pick-up at the rating, and a time
/// constant such that 2.55 x rating from cold takes one second, the shortest that IEC 60898-1 allows.
ThermalImage breaker_early_edge(double rating_a);

/// The late edge: the slowest breaker that still meets UL 489, which wants a trip at 135 % within one hour
/// (two above 50 A) and at 200 % within 2, 4 or 6 min. Only told, never relied on.
ThermalImage breaker_late_edge(double rating_a);

/// The rule for what lasts three hours or more, as a slow image: `share` of the rating may flow forever, the
/// rating itself for three hours. `share` < 1.
ThermalImage continuous_load_image(double rating_a, double share = default_continuous_share);

/// The image of a rating that may be exceeded for a while: from cold, `short_a` reaches 1 after `short_for`.
/// Since one time constant governs heating and cooling, this also says how soon it may be done again.
ThermalImage short_time_image(double lasting_a, double short_a, Duration short_for);

/// Turns a plate and what is in series behind it into limits. The plates must be valid (see `plate_fault`).
Source compile(std::string id, std::string name, double nominal_v, Feed feed, const Plate& plate,
               const std::vector<Behind>& behind = {});

/// What is impossible about a plate and what would be right, or an empty string if nothing is.
std::string plate_fault(const Plate& plate);

}  // namespace ampmarshal::rules
