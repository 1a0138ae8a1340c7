// One motor: locked at first, then turning and settling. Owned by the load that it drives.
#pragma once

#include "adapters/virtual_rig/plan.h"

namespace ampmarshal::virtual_rig {

/// What a load puts on each leg it touches: a part that follows the voltage and a part that does not. Kept
/// apart, the line voltage has a closed form (supply.h).
struct Draw {
    double conductance_s = 0;
    double constant_a = 0;

    Draw& operator+=(const Draw& other) {
        conductance_s += other.conductance_s;
        constant_a += other.constant_a;
        return *this;
    }
};

class Motor {
  public:
    explicit Motor(const MotorPlan& plan) : plan_(plan) {}

    /// `jammed`: the rotor will not turn in this attempt.
    void start(Instant now, bool jammed);
    void stop() { phase_ = Phase::off; }
    /// Call after every step with the voltage during it. True when the start has just settled.
    bool turn(Instant now, double volts) { return starting() && turn_on(now, volts); }

    bool on() const { return phase_ != Phase::off; }
    bool starting() const { return phase_ == Phase::locked || phase_ == Phase::falling; }
    bool running() const { return phase_ == Phase::running; }
    /// For how long it has been held at its start current; zero once it turns.
    Duration locked_for(Instant now) const {
        return phase_ == Phase::locked ? now - started_ : Duration::zero();
    }
    /// Locked for much longer than a healthy start.
    bool stalled(Instant now) const { return locked_for(now) > plan_.plateau + 500ms; }
    Draw draw(Instant now, double nominal_v) const {
        if (starting()) return draw_starting(now, nominal_v);
        return {0, running() ? plan_.running_a : 0};
    }
    const MotorPlan& plan() const { return plan_; }

  private:
    enum class Phase { off, locked, falling, running };

    bool turn_on(Instant now, double volts);
    Draw draw_starting(Instant now, double nominal_v) const;

    MotorPlan plan_;
    Phase phase_ = Phase::off;
    bool jammed_ = false;
    Instant started_{};
    Instant turning_{};  ///< when the fall began
};

}  // namespace ampmarshal::virtual_rig
