// What feeds the virtual rig and what opens when it is asked too much: breakers and generators with true trip
// points drawn from the band that the standards leave open. The heat of a trip element is integrated step by
// step here, on purpose: the rules use a closed form, and two ways to the same answer check each other.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "adapters/virtual_rig/motor.h"
#include "adapters/virtual_rig/plan.h"
#include "adapters/virtual_rig/random.h"

namespace ampmarshal::virtual_rig {

/// The true trip points of one limit. Currents are sums over the legs it covers.
struct TripPoints {
    std::string limit;  ///< for people: "L1", "both legs"
    LegSet legs;
    double
        earliest_a;   ///< nothing with this plate may trip at once below: 3 x rating, or the starting rating
    double pickup_a;  ///< carried for ever
    double time_constant_s;
    double sudden_a;        ///< trips at once above (magnetic trip; engine overpowered)
    double sudden_after_s;  ///< once above for so long
};

/// Breakers: pick-up 1.0 to 1.2 x rating; a time constant between 6 s, with which 2.55 x rating from cold
/// takes at least 1 s (IEC 60898-1), and the slowest with which 200 % of rating from cold still trips in time
/// (UL 489: 2 min up to 30 A, 4 min up to 50 A, 6 min up to 100 A), which is stricter than 135 % within 60
/// min; instantaneous from 3 x (the low end of IEC 60898-1 type B) to 10 x rating. Generators: pick-up 1.0
/// to 1.1 x the running rating, 1 to 1.5 x the allowed time at the starting rating from cold; the engine
/// stalls 0.1 to 0.5 s after it is asked for more than the starting rating. With two windings each carries
/// half the plate, and the engine the sum. Inverters: the same for their continuous and surge ratings, but
/// the electronics cut off 20 to 100 ms after they are asked for more than the surge (common practice, no
/// source).
std::vector<TripPoints> draw_trip_points(const SourcePlan& plan, int legs, double nominal_v, Random& random);

/// One line for people.
std::string describe(const TripPoints& points);

class TripElement {
  public:
    enum class Verdict { holds, heat, sudden };

    TripElement(TripPoints points, double carried_before_a);

    Verdict hold(double current_a, double dt_s);
    /// From now on at this current; none if never.
    std::optional<double> time_to_trip_s(double current_a) const;
    /// From now on it bears only this share of what it did.
    void weaken(double share) { share_ = share; }
    /// Close to its end: small steps, please.
    bool stressed() const { return above_s_ > 0 || heat_ > 0.9; }
    const TripPoints& points() const { return points_; }

  private:
    TripPoints points_;
    double heat_;  ///< 1 trips
    double share_ = 1;
    double above_s_ = 0;
};

struct Line {
    PerLeg<double> current_a{};
    PerLeg<double> voltage_v{};
    double frequency_hz = 0;
};

/// One source, its wiring and its limits. It may be alive or dead; a trip makes it dead until it is reset.
class Supply {
  public:
    Supply(const SourcePlan& plan, int legs, std::vector<TripPoints> points);

    /// Voltages and currents for these draws, at once.
    void solve(const PerLeg<Draw>& draws, bool connected);
    /// Lets the present currents flow for a step; the limit that tripped, if one did.
    struct Trip {
        const TripPoints* limit;
        TripElement::Verdict why;
        double current_a;
    };
    std::optional<Trip> flow(double dt_s);
    void reset() { tripped_ = false; }
    /// A longer or thinner cord.
    void set_cord(double extra_ohm) { extra_ohm_ = extra_ohm; }
    /// An engine short of air or fuel: it bears only this share of its ratings, and bogs down above it. A
    /// breaker does not care.
    void weaken(double share);

    bool tripped() const { return tripped_; }
    bool stressed() const;
    double current_a(LegSet legs) const;
    std::optional<double> time_to_trip_s() const;
    const Line& line() const { return line_; }
    const std::vector<TripElement>& elements() const { return elements_; }
    const std::string& name() const { return name_; }

  private:
    double target_hz() const;
    void solve_conductor(const Draw& sum, LegSet legs, const PerLeg<Draw>& draws);

    std::string name_;
    double no_load_v_;
    double impedance_ohm_;
    double extra_ohm_ = 0;
    bool one_conductor_;
    LegSet legs_;
    double no_load_hz_;
    double hz_per_a_;           ///< droop
    double engine_runs_a_ = 0;  ///< its running rating
    double engine_share_ = 1;
    std::vector<TripElement> elements_;
    Line line_;
    double engine_hz_;
    bool tripped_ = false;
};

}  // namespace ampmarshal::virtual_rig
