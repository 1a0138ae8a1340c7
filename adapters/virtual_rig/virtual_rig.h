// The virtual rig: independent physics that meets the program where real hardware would, on MQTT topics.
// Loads start, cycle and stall, a breaker with a trip point drawn from the standard's band heats up and
// opens, meters are late and noisy, relays slow. It does not know who commands it.
//
// It reads no clock: whoever runs it calls advance() with the present moment, as often as is convenient; in
// real time, or as fast as the processor can in a simulation. Inside, it steps 5 ms at a time while something
// starts or is about to trip and up to 100 ms otherwise, but never across a sample, a relay or a script's
// next entry. The same plan, seed and commands at the same moments give the same run, however advance() was
// called in between.
//
// Topics, below <prefix>/<rig name>/ :
//   meter/l1             JSON {"current":A,"voltage":V,"frequency":Hz,"peak":A}, or plain numbers on
//                        meter/l1/current, .../voltage, .../frequency, .../peak; also l2
//   relay/<load>/set     in: ON or OFF
//   relay/<load>/state   out, retained: ON or OFF, what the contact does, in answer to every command and
//                        whenever it moves (if the relay has feedback)
//   setting/<load>/set   in: amperes, a plain number: what a charger that can be set may draw at most
//   source               out, retained: the name of the source that the rig is connected to
//
// What it leaves out: the neutral (each leg of a 240 V load counts as a 120 V load on that leg), power factor
// (amperes add up as numbers), harmonics, and the running motor's rise of current at low voltage.
//
// It owns everything inside; it is the link's listener for as long as it lives, so the link must outlive it.
#pragma once

#include <algorithm>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "adapters/link.h"
#include "adapters/virtual_rig/loads.h"
#include "adapters/virtual_rig/meter.h"
#include "adapters/virtual_rig/plan.h"
#include "adapters/virtual_rig/relay.h"
#include "adapters/virtual_rig/story.h"
#include "adapters/virtual_rig/supply.h"

namespace ampmarshal::virtual_rig {

struct TripRecord {
    Instant at;
    std::string source;
    std::string limit;
    bool sudden;  ///< magnetic trip or overpowered engine, not heat
    double current_a;
};

struct LoadTruth {
    std::string name;
    int motor_starts = 0;
    int stalls = 0;
    int short_cycles = 0;  ///< its compressor was restarted before its pressure had equalised
    int operations = 0;    ///< the contact moved
    double running_s = 0;  ///< an air conditioner: cooling
    bool wants = false;
    bool running = false;
    /// The supply is alive, and the load runs, or wants nothing, or has run for at least LoadPlan::enough.
    bool served = false;
    std::optional<double> temperature_c;  ///< of its room or tank
};

/// What really happened, known only to the physics.
struct Truth {
    std::vector<TripRecord> trips;
    int motor_starts = 0;
    /// Times that two or more motors on a limit's legs were starting at once while the limit's current
    /// exceeded the least at which such a plate may trip at once (TripPoints::earliest_a). Counted once until
    /// fewer than two start.
    int overlaps_beyond_limit = 0;
    PerLeg<double> worst_a{};
    /// The least over the run of the time that the trip elements had left at the current of the moment; none
    /// if no current ever exceeded a pick-up.
    std::optional<double> least_time_to_trip_s;
    int loads_served = 0;
    int refused_commands = 0;  ///< neither ON nor OFF, nor a setting, or for nothing of ours
    std::vector<LoadTruth> loads;
};

class VirtualRig final : public adapters::Link::Listener, private Narrator {
  public:
    VirtualRig(RigPlan plan, std::uint64_t seed, adapters::Link& link, Instant beginning);
    ~VirtualRig() override;
    VirtualRig(const VirtualRig&) = delete;
    VirtualRig& operator=(const VirtualRig&) = delete;

    /// Lives through everything up to `now`. It may lag by less than one inner step.
    void advance(Instant now);
    /// The earliest `now` at which advance() does anything, if no command comes before.
    Instant next_step() const { return std::min(next_, std::min(next_sample_, next_message_)); }

    Truth truth() const;
    /// Voltages and currents at this moment, without a meter's errors.
    const Line& line() const { return supplies_[source_].line(); }
    /// The trip points of all sources, for people: with the seed, all that is needed to repeat a run.
    std::string drawn() const;

    /// Called in the middle of a step: it must not call back into the rig.
    void on_story(std::function<void(const StoryEvent&)> story) { story_ = std::move(story); }

    // Faults and events beside the plan's script, from the next step on. Names and legs that the rig does not
    // have are the caller's mistake, and ignored.
    void set_relay_fault(std::string_view load, RelayFault fault);
    /// `amount_a`: how far an offset or a spike is off.
    void set_meter_fault(Leg leg, MeterFault fault, double amount_a = 0);
    /// Of the meter that a load has of its own.
    void set_own_meter_fault(std::string_view load, MeterFault fault);
    /// It keeps drawing what it draws, whatever it is set to from now on.
    void set_deaf(std::string_view load, bool deaf);
    /// Each leg's meter sits on the other leg. On a rig with one leg nothing happens.
    void swap_meters(bool swapped) { meters_swapped_ = swapped; }
    /// Of all sources.
    void set_cord(double extra_ohm);
    void weaken_engine(double share);
    void change_supply(SupplyChange change, std::size_t source = 0);

    void link_up(Instant now) override;
    void link_down(Instant now, std::string_view why) override;
    void received(Instant now, const adapters::Message& message) override;

  private:
    /// A load with its relay and its record.
    struct Seat {
        const LoadPlan* plan;
        std::unique_ptr<Load> load;
        std::optional<Relay> relay;
        std::string set_topic;
        std::string state_topic;
        std::string setting_topic;
        LoadTruth record;
        bool deaf = false;

        bool contact() const { return !relay || relay->closed(); }
    };
    /// What a load has of its own.
    struct OwnMeter {
        const Seat* seat;
        Meter meter;
    };

    void tell(const StoryEvent& event) override;
    void step_to(Instant next);
    Instant find_next() const;
    void flow(double dt_s);
    void follow_script();
    void move_relays();
    void step_loads(double dt_s, const PerLeg<double>& volts);
    void observe();
    void count_overlaps();
    void read_meters(Instant now);
    void alter_supply(SupplyChange change, std::size_t source);
    bool take_setting(Seat& seat, Instant now, std::string_view payload);
    void let_meters_speak(Instant now);
    void publish_source();
    void publish_contact(const Seat& seat);
    bool powered() const { return alive_ && !supplies_[source_].tripped(); }

    RigPlan plan_;
    adapters::Link& link_;
    Instant beginning_;
    Instant time_;                           ///< of the last step
    Instant now_;                            ///< so far the rig has been advanced
    Instant next_;                           ///< step of the physics
    Instant next_sample_ = Instant::max();   ///< between two steps, while nothing changes
    Instant next_message_ = Instant::max();  ///< of a meter
    std::function<void(const StoryEvent&)> story_;
    std::string source_topic_;
    std::vector<Seat> seats_;
    Seat* telling_ = nullptr;  ///< whose physics is being stepped
    std::vector<Supply> supplies_;
    std::vector<Meter> meters_;  ///< one per leg
    std::vector<OwnMeter> own_meters_;
    PerLeg<Draw> draws_{};
    std::size_t source_ = 0;
    std::size_t script_next_ = 0;
    bool alive_ = true;
    bool calm_ = false;
    bool meters_swapped_ = false;
    bool overlap_counted_ = false;
    Truth counted_;
};

}  // namespace ampmarshal::virtual_rig
