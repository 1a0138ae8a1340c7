#include "daemon/watts.h"

#include <algorithm>

namespace ampmarshal::daemon {

namespace {

bool share_a_leg(rules::LegSet a, rules::LegSet b, rules::LegSet c) {
    return std::any_of(std::begin(rules::all_legs), std::end(rules::all_legs),
                       [&](rules::Leg leg) { return a.contains(leg) && b.contains(leg) && c.contains(leg); });
}

void lower(rules::Limit& limit, double share) {
    limit.ceiling_a *= share;
    limit.steady_a *= share;
    limit.tight_a *= share;
    for (rules::ThermalImage& image : limit.images)
        image.pickup_a *= share;
}

/// The peak of a hard start is not lowered: a rotor that stands still takes nearly the whole of it from an
/// engine or an inverter, whatever the wattmeter shows, and the plates' starting watts are meant so.
void lower(rules::Load& load, double power_factor) {
    const bool hard = load.starts_hard();
    for (rules::Stage& stage : load.stages) {
        stage.running_a *= power_factor;
        if (!hard) stage.start_a *= power_factor;
    }
    if (!load.adjustment) return;
    load.adjustment->least_a *= power_factor;
    load.adjustment->step_a *= power_factor;
}

}  // namespace

std::vector<double> count_in_watts(rules::Rig& rig, rules::LegSet legs_in_watts,
                                   std::span<const double> power_factors,
                                   std::span<const std::size_t> limits_in_watts) {
    std::vector<double> left(rig.sources.size(), 1);
    for (rules::SourceIndex s = 0; s < rig.sources.size(); ++s) {
        auto& limits = rig.sources[s].limits;
        for (std::size_t l = limits_in_watts[s]; l < limits.size(); ++l) {
            double lowest = 1;
            for (rules::LoadIndex i = 0; i < rig.loads.size(); ++i)
                if (share_a_leg(rig.loads[i].legs, limits[l].legs, legs_in_watts))
                    lowest = std::min(lowest, power_factors[i]);
            lower(limits[l], lowest);
            left[s] = std::min(left[s], lowest);
        }
    }
    for (rules::LoadIndex i = 0; i < rig.loads.size(); ++i)
        if (legs_in_watts.contains(rig.loads[i].legs)) lower(rig.loads[i], power_factors[i]);
    return left;
}

}  // namespace ampmarshal::daemon
