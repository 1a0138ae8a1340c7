// The description of a virtual rig: what a test, the demo or a random generator writes down before VirtualRig
// brings it to life. Plain values, no behaviour. Offsets in scripts count from the rig's first moment.
// Currents are rms amperes at nominal voltage in each leg a load touches.
#pragma once

#include <chrono>
#include <cstddef>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "rules/legs.h"
#include "rules/time.h"

namespace ampmarshal::virtual_rig {

using rules::Duration;
using rules::Instant;
using rules::Leg;
using rules::LegSet;
using rules::PerLeg;
using namespace std::chrono_literals;

// ---- loads ----

/// A motor at start draws its locked-rotor current until the rotor turns, then falls exponentially to
/// running.
struct MotorPlan {
    double running_a;
    /// Locked rotor, or the lower peak that a soft starter lets through.
    double start_a;
    Duration plateau = 120ms;
    Duration fall = 60ms;  ///< time constant of the exponential
    /// Torque goes with the square of the voltage: below this the rotor does not begin to turn.
    double turns_from_v = 85;
};

/// First-order body with losses to its surroundings: a room that is cooled, a tank that is heated.
struct BodyPlan {
    double start_c;
    double surroundings_c;
    double capacity_j_per_k;
    double loss_w_per_k;
    double gain_w = 0;  ///< sun and people
};

struct ThermostatPlan {
    double set_c;
    double hysteresis_k = 0.5;  ///< to either side
};

struct AirConditionerPlan {
    MotorPlan fan;
    MotorPlan compressor;
    Duration fan_to_compressor = 10s;
    BodyPlan room;
    ThermostatPlan thermostat;
    double cooling_w = 3500;
    /// A compressor restarted sooner than this after it stopped works against its own pressure, and stalls.
    Duration pressure_equalises = 120s;
    Duration overload_opens = 10s;  ///< its internal overload, when the rotor stays locked
    Duration overload_closes = 180s;
    bool always_stalls = false;  ///< a dead start capacitor
};

struct HeaterPlan {
    double running_a;
    BodyPlan tank;
    ThermostatPlan thermostat;
};

/// Constant current while the battery is low (bulk), then tapering to a float current.
struct ChargerPlan {
    double bulk_a;
    double float_a = 0.5;
    Duration bulk = 3600s;   ///< until it begins to taper, if it charges with all that the battery takes
    Duration taper = 1800s;  ///< time constant, likewise
    /// It draws no more than it is set to, and follows a new setting in so long; without, it takes none.
    std::optional<Duration> follows_within{};
};

/// Somebody uses it when somebody wants to: a microwave, a kettle. Intervals in order, not overlapping.
struct AppliancePlan {
    struct Use {
        Duration from;
        Duration to;
    };
    double running_a;
    std::vector<Use> uses;
};

/// Lights, a refrigerator, whatever is always there.
struct BaseLoadPlan {
    double mean_a;
    double wander_a = 0.2;  ///< standard deviation
    Duration wander_time = 60s;
};

// ---- meters ----

enum class MeterFault {
    none,
    silent,
    frozen,
    spiking,  ///< now and then one reading is too high
    offset,   ///< every reading is off by the same
};
enum class MeterFormat {
    json,   ///< one topic: {"current":12.3,"voltage":118.4,"frequency":60.0,"peak":45.1}
    plain,  ///< a topic for each quantity, a bare number on it
};

struct MeterPlan {
    Duration period = 100ms;
    Duration latency = 20ms;
    double noise_a = 0.05;  ///< standard deviation
    double noise_v = 0.1;
    double resolution_a = 0.1;
    double resolution_v = 0.1;
    bool peak_hold = true;  ///< publishes the highest current since its last sample
    MeterFormat format = MeterFormat::json;
    MeterFault fault = MeterFault::none;
};

// ---- how they are wired ----

enum class Control {
    switched,   ///< the contact is its switch: it runs whenever the contact is closed
    permitted,  ///< the contact is in its thermostat's call line: it runs when the thermostat wants, and may
};

enum class RelayFault {
    none,
    stuck_open,
    stuck_closed,
    slow,            ///< takes two seconds longer
    feedback_flaps,  ///< what it says of itself changes to and fro; the contact is fine
};

/// Normally open. Driven by the rig's battery, so it keeps its state when the supply is lost.
struct RelayPlan {
    Duration latency = 50ms;
    bool feedback = true;
    RelayFault fault = RelayFault::none;
    /// Opens by itself when ON was not repeated for so long.
    std::optional<Duration> drops_out_after{};
};

struct LoadPlan {
    std::string name;  ///< also in its topics
    LegSet legs{Leg::l1};
    Control control =
        Control::switched;             ///< only an air conditioner and a heater have a thermostat to wait for
    std::optional<RelayPlan> relay{};  ///< none: always connected
    std::optional<MeterPlan> meter{};  ///< of its own, as a plug may have one
    /// Counts as served once it has run so long, even if it waits for its turn when the run ends.
    Duration enough = 30s;
    std::variant<AirConditionerPlan, HeaterPlan, ChargerPlan, AppliancePlan, BaseLoadPlan> kind;
};

// ---- supply ----

/// What is not given is drawn from the band the standards allow (supply.h).
struct BreakerPlan {
    double rating_a;
    std::optional<double> pickup_ratio{};  ///< x rating, thermal trip in the end
    std::optional<double> time_constant_s{};
    std::optional<double> instantaneous_ratio{};  ///< x rating, magnetic trip
};

struct GeneratorPlan {
    double running_w;
    double starting_w;
    Duration starting_allowed = 10s;  ///< it carries its starting rating at least so long from cold
    double no_load_hz = 62;
    double droop = 0.04;  ///< share of the frequency lost at the running rating
};

/// On its own battery, which is never empty here. Holds voltage and frequency whatever it carries.
struct InverterPlan {
    double continuous_w;
    double surge_w;
    Duration surge_allowed = 5s;  ///< it carries its surge at least so long from cold
};

struct SourcePlan {
    std::string name;
    std::variant<BreakerPlan, GeneratorPlan, InverterPlan> kind;
    double no_load_v = 121;
    double impedance_ohm = 0.06;  ///< of each leg's conductor, its cord included
    /// Both rig legs hang on one conductor (an adapter): one breaker, one impedance for their sum.
    bool one_conductor = false;
    /// Carried for long before the rig's first moment, per leg: a breaker is seldom cold.
    double carried_before_a = 0;
};

enum class SupplyChange { lost, back, source, reset };

struct SupplyEvent {
    Duration at;
    SupplyChange change;
    std::size_t source = 0;  ///< for SupplyChange::source: index into RigPlan::sources
};

// ---- the rig ----

struct RigPlan {
    std::string name;
    std::string topic_prefix = "rig";
    int legs = 1;
    double nominal_v = 120;
    std::vector<LoadPlan> loads;
    std::vector<SourcePlan> sources;         ///< at least one; the first is connected at the beginning
    std::vector<SupplyEvent> supply_script;  ///< in order
    MeterPlan meter;                         ///< one on each leg
    /// false: no relay was ever fitted, every contact is closed; the rig as it is without ampmarshal.
    bool managed = true;
};

/// The invented rig of the demo: 30 A, one leg, two air conditioners on a hot day. Its thermal masses, delays
/// and rests are many times shorter than in life, so that a show of a few minutes sees the loads cycle.
RigPlan demo_plan();

}  // namespace ampmarshal::virtual_rig
