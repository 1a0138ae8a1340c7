// The invented rig in which the scenarios are set, in pieces to put together, and an eye on its motors. Each
// scenario takes the loads and the source its story needs. The breakers are the touchiest that the standards
// allow, so that a run without a trip means something; the weather is hot, so that everybody wants to run.
#pragma once

#include <algorithm>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "tests/support/simulated_rig.h"

namespace ampmarshal::tests {

using namespace std::chrono_literals;
using rules::Leg;
using rules::LegSet;
using virtual_rig::LoadPlan;
using virtual_rig::RigPlan;
using virtual_rig::SourcePlan;

/// Its compressor starts with four to five times its running current; a soft starter takes that down to
/// twice.
inline constexpr double bare_start_a = 46;
inline constexpr double soft_start_a = 20;

inline LoadPlan air_conditioner(std::string name, double start_a = bare_start_a,
                                LegSet legs = LegSet(Leg::l1)) {
    const virtual_rig::BodyPlan room{
        .start_c = 30, .surroundings_c = 38, .capacity_j_per_k = 400e3, .loss_w_per_k = 100, .gain_w = 400};
    const virtual_rig::AirConditionerPlan unit{
        .fan = {.running_a = 2.3, .start_a = 5, .plateau = 80ms},
        .compressor = {.running_a = 10, .start_a = start_a, .plateau = 150ms},
        .room = room,
        .thermostat = {.set_c = 24, .hysteresis_k = 1}};
    return {.name = std::move(name),
            .legs = legs,
            .control = virtual_rig::Control::permitted,
            .relay = virtual_rig::RelayPlan{},
            .kind = unit};
}

/// Of another make, so that a meter can tell the two apart.
inline LoadPlan smaller_air_conditioner(std::string name) {
    LoadPlan load = air_conditioner(std::move(name), 36);
    std::get<virtual_rig::AirConditionerPlan>(load.kind).compressor.running_a = 7;
    return load;
}

inline LoadPlan water_heater(LegSet legs = LegSet(Leg::l1), double running_a = 11.7) {
    const virtual_rig::BodyPlan tank{
        .start_c = 20, .surroundings_c = 30, .capacity_j_per_k = 200e3, .loss_w_per_k = 2};
    return {
        .name = "water-heater",
        .legs = legs,
        .relay = virtual_rig::RelayPlan{},
        .kind = virtual_rig::HeaterPlan{.running_a = running_a, .tank = tank, .thermostat = {.set_c = 60}}};
}

inline LoadPlan charger(double bulk_a = 7.4) {
    return {.name = "charger",
            .relay = virtual_rig::RelayPlan{},
            .kind = virtual_rig::ChargerPlan{.bulk_a = bulk_a, .bulk = 24h}};
}

/// One that can be told what it may draw.
inline LoadPlan adjustable_charger(double bulk_a) {
    LoadPlan load = charger(bulk_a);
    std::get<virtual_rig::ChargerPlan>(load.kind).follows_within = 500ms;
    return load;
}

/// Nobody can switch it but the person who stands before it.
inline LoadPlan microwave(std::vector<virtual_rig::AppliancePlan::Use> uses) {
    return {.name = "microwave",
            .kind = virtual_rig::AppliancePlan{.running_a = 12.5, .uses = std::move(uses)}};
}

inline LoadPlan base_load(double mean_a = 1.5) {
    return {.name = "base", .kind = virtual_rig::BaseLoadPlan{.mean_a = mean_a}};
}

/// The early edge of everything that the standards leave open: holds its rating and no more, warms up fast,
/// and may open at once from three times its rating.
inline SourcePlan touchy_breaker(std::string name, double rating_a) {
    return {
        .name = std::move(name),
        .kind = virtual_rig::BreakerPlan{
            .rating_a = rating_a, .pickup_ratio = 1.0, .time_constant_s = 6.0, .instantaneous_ratio = 3.0}};
}

inline SourcePlan generator(double running_w, double starting_w) {
    return {.name = "generator",
            .kind = virtual_rig::GeneratorPlan{.running_w = running_w, .starting_w = starting_w},
            .impedance_ohm = 0.1};
}

inline RigPlan rig_on(SourcePlan source, std::vector<LoadPlan> loads) {
    RigPlan rig;
    rig.name = "heron";
    rig.sources.push_back(std::move(source));
    rig.loads = std::move(loads);
    return rig;
}

/// Watches how many motors are starting at the same moment.
class MotorStarts {
  public:
    explicit MotorStarts(SimulatedRig& rig) {
        rig.on_story([this](const virtual_rig::StoryEvent& e) { note(e); });
    }
    MotorStarts(const MotorStarts&) = delete;
    MotorStarts& operator=(const MotorStarts&) = delete;

    std::size_t most_at_once() const { return most_; }
    int seen() const { return seen_; }

  private:
    void note(const virtual_rig::StoryEvent& e) {
        using virtual_rig::Happening;
        const std::pair motor(std::string(e.subject), std::string(e.part));
        if (e.what == Happening::start_began) {
            starting_.insert(motor);
            ++seen_;
        }
        if (e.what == Happening::start_ended) starting_.erase(motor);
        if (e.what == Happening::load_off)
            std::erase_if(starting_, [&](const auto& other) { return other.first == motor.first; });
        most_ = std::max(most_, starting_.size());
    }

    std::set<std::pair<std::string, std::string>> starting_;
    std::size_t most_ = 0;
    int seen_ = 0;
};

}  // namespace ampmarshal::tests
