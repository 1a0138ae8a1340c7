#include "adapters/virtual_rig/motor.h"

#include <cmath>

namespace ampmarshal::virtual_rig {

namespace {
// After six time constants 0.25 % of the excess is left, less than any meter in a rig can see.
constexpr int settled_after_falls = 6;
}  // namespace

void Motor::start(Instant now, bool jammed) {
    phase_ = Phase::locked;
    jammed_ = jammed;
    started_ = now;
}

bool Motor::turn_on(Instant now, double volts) {
    if (phase_ == Phase::locked && !jammed_ && volts >= plan_.turns_from_v &&
        now - started_ >= plan_.plateau) {
        phase_ = Phase::falling;
        turning_ = now;
    }
    if (phase_ == Phase::falling && now - turning_ >= settled_after_falls * plan_.fall) {
        phase_ = Phase::running;
        return true;
    }
    return false;
}

Draw Motor::draw_starting(Instant now, double nominal_v) const {
    if (phase_ == Phase::locked) return {plan_.start_a / nominal_v, 0};
    const double excess_a = plan_.start_a - plan_.running_a;
    const double left = std::exp(-rules::seconds(now - turning_) / rules::seconds(plan_.fall));
    return {excess_a * left / nominal_v, plan_.running_a};
}

}  // namespace ampmarshal::virtual_rig
