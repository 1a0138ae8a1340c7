// The loads: what they want, when they start, what they draw. Each is stepped by the rig with what it feels
// at its terminals, and knows nothing of meters, relays' wiring or MQTT.
#pragma once

#include <memory>
#include <optional>
#include <string_view>

#include "adapters/virtual_rig/motor.h"
#include "adapters/virtual_rig/random.h"
#include "adapters/virtual_rig/story.h"

namespace ampmarshal::virtual_rig {

/// What a load feels. `volts` is what it had during the step, `powered` and `contact` are what holds from now
/// on.
struct Terminals {
    Instant now;
    double dt_s;
    double volts;
    double nominal_v;
    bool powered;
    bool contact;

    double per_unit() const { return volts / nominal_v; }
};

class Load {
  public:
    virtual ~Load() = default;
    virtual void step(const Terminals& at, Narrator& narrator) = 0;

    Draw draw() const { return draw_; }
    /// Would run if it were given power and a closed contact.
    bool wants() const { return wants_; }
    /// Does what it is for: an air conditioner cools.
    bool running() const { return running_; }
    int motors_starting() const { return motors_starting_; }
    /// Its next change that depends on nothing but time.
    std::optional<Instant> due() const { return due_; }
    virtual std::optional<double> temperature_c() const { return std::nullopt; }
    /// To draw at most so much. False if it is none that can be set.
    virtual bool set(double) { return false; }

  protected:
    Draw draw_{};
    bool wants_ = true;
    bool running_ = false;
    int motors_starting_ = 0;
    std::optional<Instant> due_{};
};

/// `plan` must outlive the load.
std::unique_ptr<Load> make_load(const LoadPlan& plan, Instant beginning, Random random);

}  // namespace ampmarshal::virtual_rig
