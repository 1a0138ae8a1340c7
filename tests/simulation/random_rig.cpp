#include "tests/simulation/random_rig.h"

#include <algorithm>
#include <string>

#include "adapters/virtual_rig/random.h"

namespace ampmarshal::tests {

namespace {

using namespace virtual_rig;
using rules::from_seconds;
using rules::seconds;

class Draw {
  public:
    Draw(std::uint64_t seed, std::uint64_t stream) : random_(seed, stream) {}
    double between(double low, double high) { return random_.uniform(low, high); }
    int whole(int low, int high) { return low + static_cast<int>(random_.uniform() * (high - low + 1)); }
    bool chance(double p) { return random_.uniform() < p; }
    Duration time(Duration low, Duration high) { return from_seconds(between(seconds(low), seconds(high))); }

  private:
    Random random_;
};

constexpr double lightest_room_j_per_k = 2e5;  // a small cabin with thin walls

AirConditionerPlan air_conditioner(Draw& draw, double outdoor_c) {
    const double running_a = draw.between(7, 13);
    // From a soft-started unit to a bare one.
    const double start_a = running_a * draw.between(1.0, 4.5);
    AirConditionerPlan unit{
        .fan = {.running_a = draw.between(1.5, 3), .start_a = 0, .plateau = 80ms},
        .compressor = {.running_a = running_a, .start_a = start_a, .plateau = draw.time(80ms, 200ms)},
        .fan_to_compressor = draw.time(2s, 60s),
        .room = {.start_c = outdoor_c,
                 .surroundings_c = outdoor_c,
                 .capacity_j_per_k =
                     draw.chance(0.3) ? lightest_room_j_per_k : draw.between(lightest_room_j_per_k, 6e5),
                 .loss_w_per_k = draw.between(60, 160),
                 .gain_w = draw.between(0, 800)},
        .thermostat = {.set_c = draw.between(20, 26), .hysteresis_k = 0.7}};
    unit.fan.start_a = unit.fan.running_a * draw.between(1.5, 3);
    // Whoever builds a thermostat sees to it that it does not restart its own compressor before its pressure
    // has equalised: the room must take longer than that to warm up through the hysteresis.
    const BodyPlan& room = unit.room;
    const double warms_w = room.gain_w + room.loss_w_per_k * std::max(0.0, outdoor_c - unit.thermostat.set_c);
    const double needed_k = 1.3 * seconds(unit.pressure_equalises) * warms_w / room.capacity_j_per_k / 2;
    unit.thermostat.hysteresis_k = std::max(unit.thermostat.hysteresis_k, needed_k);
    return unit;
}

AppliancePlan appliance(Draw& draw, double most_a, Duration time) {
    AppliancePlan plan{.running_a = draw.between(0.3, 1) * most_a, .uses = {}};
    for (Duration at = draw.time(10s, 1h); at < time;) {
        const Duration lasts = draw.time(20s, 10min);
        plan.uses.push_back({at, at + lasts});
        at += lasts + draw.time(1min, 4h);
    }
    return plan;
}

LoadPlan load(Draw& draw, const std::string& name, int legs, double outdoor_c) {
    LoadPlan plan{
        .name = name, .relay = RelayPlan{.latency = draw.time(20ms, 200ms)}, .kind = BaseLoadPlan{1}};
    const int kind = draw.whole(0, 9);
    if (kind < 4) {
        plan.kind = air_conditioner(draw, outdoor_c);
        plan.control = Control::permitted;
    } else if (kind < 7) {
        plan.kind = HeaterPlan{.running_a = draw.between(4, 12.5),
                               .tank = {.start_c = 15,
                                        .surroundings_c = 20,
                                        .capacity_j_per_k = draw.between(5e4, 2e5),
                                        .loss_w_per_k = draw.between(2, 30)},
                               .thermostat = {.set_c = 60, .hysteresis_k = 3}};
        plan.control = draw.chance(0.5) ? Control::permitted : Control::switched;
    } else {
        plan.kind = ChargerPlan{.bulk_a = draw.between(2, 12)};
    }
    if (legs == 2) plan.legs = draw.chance(0.5) ? LegSet(Leg::l1) : LegSet(Leg::l2);
    return plan;
}

}  // namespace

double least_carried_a(const SourcePlan& source) {
    if (const auto* breaker = std::get_if<BreakerPlan>(&source.kind)) return breaker->rating_a;
    const auto* generator = std::get_if<GeneratorPlan>(&source.kind);
    const double lasting_w =
        generator ? generator->running_w : std::get<InverterPlan>(source.kind).continuous_w;
    return lasting_w / 120 / 2;
}

namespace {

SourcePlan source(Draw& draw, int legs, std::string name) {
    SourcePlan plan{.name = std::move(name), .kind = BreakerPlan{.rating_a = 30}};
    plan.impedance_ohm = draw.between(0.02, 0.15);
    if (draw.chance(0.3)) {
        const double running_w = draw.between(2000, 7000);
        plan.kind = GeneratorPlan{.running_w = running_w, .starting_w = running_w * draw.between(1.02, 1.5)};
        return plan;
    }
    const double ratings_a[] = {15, 20, 30, 30, 20, 15, 10, 100};  // and two silly ones
    plan.kind = BreakerPlan{.rating_a = legs == 2 && draw.chance(0.6) ? 50 : ratings_a[draw.whole(0, 7)]};
    plan.one_conductor = legs == 2 && std::get<BreakerPlan>(plan.kind).rating_a < 50;
    return plan;
}

SourcePlan inverter(Draw& draw, SourcePlan plan) {
    const double continuous_w = draw.between(1500, 5000);
    plan.kind = InverterPlan{.continuous_w = continuous_w,
                             .surge_w = continuous_w * draw.between(1.1, 2.2),
                             .surge_allowed = draw.time(1s, 10s)};
    plan.impedance_ohm = 0.01;
    return plan;
}

/// Here and there a relay that says nothing of itself, or opens by itself, or a load of 240 V.
void make_special(Draw& draw, LoadPlan& load, int legs) {
    if (!load.relay) return;
    load.relay->feedback = !draw.chance(0.25);
    if (load.relay->feedback && draw.chance(0.15)) load.relay->drops_out_after = draw.time(10s, 5min);
    if (legs == 2 && draw.chance(0.1)) load.legs = LegSet::both();
}

/// Most meters that are sold speak once a second; few tell the highest current in between.
MeterPlan meter(Draw& draw) {
    const Duration periods[] = {100ms, 100ms, 200ms, 500ms, 1s, 1s, 1s, 2s};
    return {.period = periods[draw.whole(0, 7)], .peak_hold = draw.chance(0.4)};
}

/// A plug that measures takes its time.
MeterPlan meter_of_a_plug(Draw& draw) {
    const Duration periods[] = {200ms, 500ms, 1s, 1s, 1s, 2s};
    return {.period = periods[draw.whole(0, 5)], .peak_hold = draw.chance(0.4)};
}

}  // namespace

RigPlan random_rig(std::uint64_t seed, Duration time) {
    Draw draw(seed, 0x51);
    Draw special(seed, 0x53);
    Draw meters(seed, 0x54);
    RigPlan rig;
    rig.name = "random";
    rig.legs = draw.chance(0.4) ? 2 : 1;
    rig.meter = meter(meters);
    rig.sources = {source(draw, rig.legs, "supply"), source(draw, rig.legs, "other-supply")};
    const bool plain = special.chance(0.4);
    for (SourcePlan& source : rig.sources)
        if (!plain && special.chance(0.25)) source = inverter(special, source);
    const double outdoor_c = draw.between(18, 40);
    const int loads = draw.chance(0.2) ? draw.whole(8, 24) : draw.whole(1, 7);
    for (int i = 0; i < loads; ++i)
        rig.loads.push_back(load(draw, "load-" + std::to_string(i + 1), rig.legs, outdoor_c));
    // Somebody has bought two of the same.
    if (draw.chance(0.4)) {
        LoadPlan unit = load(draw, "twin-1", rig.legs, outdoor_c);
        unit.kind = air_conditioner(draw, outdoor_c);
        unit.control = Control::permitted;
        rig.loads.push_back(unit);
        unit.name = "twin-2";
        rig.loads.push_back(unit);
    }
    for (LoadPlan& load : rig.loads) {
        if (!plain) make_special(special, load, rig.legs);
        if (meters.chance(0.2)) load.meter = meter_of_a_plug(meters);
    }
    // The uncontrolled ones take at most seven tenths of what either source carries.
    const double room_a = 0.7 * std::min(least_carried_a(rig.sources[0]), least_carried_a(rig.sources[1]));
    const double base_a = draw.between(0.02, 0.3) * room_a;
    rig.loads.push_back({.name = "base", .kind = BaseLoadPlan{.mean_a = base_a, .wander_a = 0.05 * base_a}});
    if (draw.chance(0.6))
        rig.loads.push_back({.name = "appliance", .kind = appliance(draw, room_a - 1.3 * base_a, time)});
    return rig;
}

}  // namespace ampmarshal::tests
