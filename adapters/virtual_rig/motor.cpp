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

bool Motor::turn(Instant now, double volts) {
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

Draw Motor::draw(Instant now, double nominal_v) const {
    const double excess_a = plan_.start_a - plan_.running_a;
    switch (phase_) {
        case Phase::off: break;
        case Phase::locked: return {plan_.start_a / nominal_v, 0};
        case Phase::falling: {
            const double left = std::exp(-rules::seconds(now - turning_) / rules::seconds(plan_.fall));
            return {excess_a * left / nominal_v, plan_.running_a};
        }
        case Phase::running: return {0, plan_.running_a};
    }
    return {};
}

}  // namespace ampmarshal::virtual_rig
