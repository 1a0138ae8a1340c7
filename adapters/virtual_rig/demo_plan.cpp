#include <utility>

#include "adapters/virtual_rig/plan.h"

namespace ampmarshal::virtual_rig {

namespace {

/// A room about thirty times lighter than in life: it is pulled down and cycles within a minute.
BodyPlan show_room(double start_c) {
    return {.start_c = start_c,
            .surroundings_c = 38,
            .capacity_j_per_k = 20e3,
            .loss_w_per_k = 110,
            .gain_w = 400};
}

LoadPlan air_conditioner(std::string name, const MotorPlan& fan, const MotorPlan& compressor, double room_c) {
    AirConditionerPlan unit{.fan = fan,
                            .compressor = compressor,
                            .room = show_room(room_c),
                            .thermostat = {.set_c = 24, .hysteresis_k = 1}};
    // For the show: minutes in life.
    unit.fan_to_compressor = 4s;
    unit.pressure_equalises = 8s;
    unit.overload_closes = 60s;
    return {.name = std::move(name), .control = Control::permitted, .relay = RelayPlan{}, .kind = unit};
}

}  // namespace

RigPlan demo_plan() {
    RigPlan rig;
    rig.name = "demo";
    rig.sources = {{.name = "pedestal", .kind = BreakerPlan{.rating_a = 30}, .carried_before_a = 15}};
    const MotorPlan front_fan{.running_a = 2.3, .start_a = 5, .plateau = 80ms};
    const MotorPlan front_compressor{.running_a = 11.2, .start_a = 46, .plateau = 150ms};
    const MotorPlan rear_fan{.running_a = 1.9, .start_a = 4.2, .plateau = 80ms};
    const MotorPlan rear_compressor{.running_a = 8.4, .start_a = 35, .plateau = 150ms};
    const BodyPlan tank{.start_c = 20, .surroundings_c = 30, .capacity_j_per_k = 95e3, .loss_w_per_k = 2};
    const AppliancePlan microwave{.running_a = 9.2, .uses = {{54s, 64s}, {90s, 400s}}};

    rig.loads.push_back(air_conditioner("front-ac", front_fan, front_compressor, 26));
    rig.loads.push_back(air_conditioner("rear-ac", rear_fan, rear_compressor, 28));
    rig.loads.push_back({.name = "water-heater",
                         .relay = RelayPlan{},
                         .kind = HeaterPlan{.running_a = 11.7, .tank = tank, .thermostat = {.set_c = 60}}});
    rig.loads.push_back({.name = "charger",
                         .relay = RelayPlan{},
                         .kind = ChargerPlan{.bulk_a = 10.4, .bulk = 240s, .follows_within = 500ms}});
    rig.loads.push_back({.name = "microwave", .kind = microwave});
    rig.loads.push_back({.name = "base", .kind = BaseLoadPlan{.mean_a = 1.5}});
    return rig;
}

}  // namespace ampmarshal::virtual_rig
