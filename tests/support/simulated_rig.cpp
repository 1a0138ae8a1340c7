#include "tests/support/simulated_rig.h"

#include <algorithm>
#include <cstdio>

namespace ampmarshal::tests {

namespace {

using namespace std::chrono_literals;
using rules::Duration;
using rules::Instant;

constexpr Duration wire = 2ms;
constexpr Duration tick = 200ms;

struct Stages {
    Duration switched_latest;

    std::vector<rules::Stage> operator()(const virtual_rig::AirConditionerPlan& p) const {
        const auto window = [](const virtual_rig::MotorPlan& m) { return m.plateau + 4 * m.fall + 100ms; };
        return {{"fan", p.fan.start_a, window(p.fan), p.fan.running_a, switched_latest},
                {"compressor", p.compressor.start_a, window(p.compressor), p.compressor.running_a,
                 p.fan_to_compressor + 2s}};
    }
    std::vector<rules::Stage> operator()(const virtual_rig::HeaterPlan& p) const { return one(p.running_a); }
    std::vector<rules::Stage> operator()(const virtual_rig::ChargerPlan& p) const {
        auto stages = one(p.bulk_a);
        if (p.follows_within) stages[0].start_window = *p.follows_within + 100ms;
        return stages;
    }
    std::vector<rules::Stage> operator()(const virtual_rig::AppliancePlan& p) const {
        return one(p.running_a);
    }
    std::vector<rules::Stage> operator()(const virtual_rig::BaseLoadPlan&) const { return {}; }

    std::vector<rules::Stage> one(double running_a) const {
        return {{"on", running_a, 200ms, running_a, switched_latest}};
    }
};

rules::Source source_of(const virtual_rig::SourcePlan& plan, const virtual_rig::RigPlan& rig) {
    const rules::Feed feed = rig.legs == 1        ? rules::Feed::one_leg
                             : plan.one_conductor ? rules::Feed::shared_by_legs
                                                  : rules::Feed::two_legs;
    if (const auto* breaker = std::get_if<virtual_rig::BreakerPlan>(&plan.kind))
        return rules::compile(plan.name, plan.name, rig.nominal_v, feed,
                              rules::BreakerPlate{breaker->rating_a});
    if (const auto* generator = std::get_if<virtual_rig::GeneratorPlan>(&plan.kind))
        return rules::compile(
            plan.name, plan.name, rig.nominal_v, feed,
            rules::GeneratorPlate{generator->running_w, generator->starting_w, generator->starting_allowed});
    const auto& inverter = std::get<virtual_rig::InverterPlan>(plan.kind);
    return rules::compile(
        plan.name, plan.name, rig.nominal_v, feed,
        rules::InverterPlate{inverter.continuous_w, inverter.surge_w, inverter.surge_allowed});
}

rules::Load load_of(const virtual_rig::LoadPlan& plan, int rank) {
    rules::Load load;
    load.id = load.name = plan.name;
    load.legs = plan.legs;
    load.rank = plan.relay ? rank : 0;
    const bool permitted = plan.control == virtual_rig::Control::permitted ||
                           std::holds_alternative<virtual_rig::HeaterPlan>(plan.kind);
    load.control = !plan.relay ? rules::Control::observed
                   : permitted ? rules::Control::permitted
                               : rules::Control::switched;
    load.stages = std::visit(Stages{2s}, plan.kind);
    if (const auto* unit = std::get_if<virtual_rig::AirConditionerPlan>(&plan.kind)) {
        load.minimum_on = 60s;
        load.minimum_off = unit->pressure_equalises + 10s;
    }
    const auto* charger = std::get_if<virtual_rig::ChargerPlan>(&plan.kind);
    if (plan.relay && charger != nullptr && charger->follows_within)
        load.adjustment =
            rules::Adjustment{.least_a = charger->bulk_a / 4, .step_a = charger->bulk_a / 8, .every = 10s};
    if (plan.relay) {
        load.switch_latency = plan.relay->latency + 20ms;
        load.reports_switch = plan.relay->feedback;
    }
    return load;
}

adapters::MeterWiring wiring_of(const virtual_rig::MeterPlan& plan, const std::string& id,
                                const std::string& topic, rules::Leg leg, double nominal_v) {
    using adapters::NumberAt;
    adapters::MeterWiring wiring{.id = id,
                                 .leg = leg,
                                 .load = {},
                                 .current = NumberAt{topic, "/current"},
                                 .power = {},
                                 .voltage = NumberAt{topic, "/voltage"},
                                 .frequency = NumberAt{topic, "/frequency"},
                                 .peak = {},
                                 .period = plan.period,
                                 .stale_after = std::max<Duration>(1s, 3 * plan.period),
                                 .nominal_v = nominal_v,
                                 .largest_plausible_a = 400};
    if (plan.peak_hold) wiring.peak = NumberAt{topic, "/peak"};
    return wiring;
}

}  // namespace

daemon::Configuration configuration_of(const virtual_rig::RigPlan& plan) {
    daemon::Configuration c;
    const std::string root = plan.topic_prefix + "/" + plan.name + "/";
    c.device_id = plan.name;
    c.homie_domain = "homie";
    c.rig.name = plan.name;
    c.rig.legs = plan.legs == 1 ? rules::LegSet(rules::Leg::l1) : rules::LegSet::both();
    daemon::SourceSelection selection{root + "source", "", {}};
    for (const auto& source : plan.sources) {
        selection.names[source.name] = c.rig.sources.size();
        c.rig.sources.push_back(source_of(source, plan));
    }
    c.source_selection = selection;
    c.present_source = 0;
    for (rules::Leg leg : rules::all_legs) {
        if (!c.rig.legs.contains(leg)) continue;
        const std::string topic = root + "meter/" + (leg == rules::Leg::l1 ? "l1" : "l2");
        c.meters.push_back(wiring_of(plan.meter, rules::name(leg), topic, leg, plan.nominal_v));
        c.rig.timing.meter_period[leg] = plan.meter.period + plan.meter.latency;
        c.rig.timing.stale_after[leg] = c.meters.back().stale_after;
    }
    c.rig.timing.decision = 50ms;
    c.rig.timing.steady_grace = 2s;
    c.rig.timing.restore_after = 30s;
    c.rig.timing.dwell = 600s;
    int rank = 0;
    for (const auto& load : plan.loads) {
        if (std::holds_alternative<virtual_rig::BaseLoadPlan>(load.kind)) continue;
        c.rig.loads.push_back(load_of(load, load.relay ? ++rank : 0));
        if (load.meter) {
            c.meters.push_back(wiring_of(*load.meter, load.name, root + "meter/" + load.name,
                                         load.legs.first(), plan.nominal_v * load.legs.count()));
            c.meters.back().load = c.rig.loads.size() - 1;
            c.rig.loads.back().own_meter = {load.meter->period, c.meters.back().stale_after};
        }
        std::optional<adapters::SwitchWiring> wiring;
        if (load.relay) {
            const std::string relay = root + "relay/" + load.name;
            wiring = adapters::SwitchWiring{relay + "/set", "ON", "OFF"};
            if (load.relay->feedback)
                wiring->feedback = adapters::FeedbackWiring{relay + "/state", "", "ON", "OFF"};
            if (c.rig.loads.back().adjustment)
                wiring->setting = adapters::SettingWiring{root + "setting/" + load.name + "/set"};
            if (load.relay->drops_out_after) wiring->refresh = *load.relay->drops_out_after / 3;
        }
        c.switches.push_back(wiring);
    }
    return c;
}

SimulatedRig::SimulatedRig(const virtual_rig::RigPlan& plan, std::uint64_t seed)
    : SimulatedRig(plan, configuration_of(plan), seed) {}

SimulatedRig::SimulatedRig(virtual_rig::RigPlan plan, daemon::Configuration configuration, std::uint64_t seed)
    : configuration_(std::move(configuration)),
      broker_(wire),
      rig_link_(broker_.client("rig")),
      person_(broker_.client("person")),
      rig_(std::move(plan), seed, *rig_link_, Instant{}) {
    rig_.on_story([this](const virtual_rig::StoryEvent& e) {
        if (trace_ != nullptr) write_down(e);
        if (story_) story_(e);
    });
    start_daemon();
}

void SimulatedRig::write_down(const virtual_rig::StoryEvent& e) const {
    static constexpr const char* words[] = {"contact closed", "contact opened", "on",      "off",
                                            "start began",    "start ended",    "STALLED", "overload opened",
                                            "SHORT-CYCLED",   "OVERLAPPED",     "TRIPPED", "lost",
                                            "back",           "source changed", "set"};
    std::fprintf(trace_, "%9.2f rig    | %s %s %s %.1f A\n", rules::seconds(e.at.time_since_epoch()),
                 std::string(e.subject).c_str(), std::string(e.part).c_str(),
                 words[static_cast<std::size_t>(e.what)], e.current_a);
}

void SimulatedRig::note(const char* who, std::string_view text) {
    char stamp[32];
    std::snprintf(stamp, sizeof stamp, "%9.2f %s | ", rules::seconds(now_.time_since_epoch()), who);
    if (log_.size() < 100'000) log_.push_back(stamp + std::string(text));
    if (trace_ != nullptr) std::fprintf(trace_, "%s%s\n", stamp, std::string(text).c_str());
}

void SimulatedRig::start_daemon() {
    daemon_link_ = broker_.client("daemon", daemon::last_will(configuration_));
    steward_ = std::make_unique<daemon::Steward>(
        configuration_, daemon::Mode::command, *daemon_link_,
        [this](daemon::Severity s, std::string_view text) {
            note(s == daemon::Severity::warning ? "daemon!" : "daemon", text);
        },
        static_cast<std::int64_t>(rules::seconds(now_.time_since_epoch() + wall_ahead_)) + 1, now_);
}

void SimulatedRig::kill_daemon() {
    steward_.reset();
    daemon_link_.reset();
}

void SimulatedRig::step(Instant end) {
    const Instant of_rig = std::max(rig_.next_step(), now_);
    now_ = std::min(std::min(end, next_tick_), std::min(of_rig, broker_.next_due().value_or(end)));
    broker_.run_until(now_);
    rig_.advance(now_);
    if (now_ >= next_tick_) {
        if (steward_) steward_->tick(now_);
        next_tick_ = now_ + tick;
    }
}

void SimulatedRig::run_for(Duration time) {
    const Instant end = now_ + time;
    while (now_ < end)
        step(end);
}

bool SimulatedRig::run_until(const std::function<bool()>& true_now, Duration at_most) {
    const Instant end = now_ + at_most;
    while (now_ < end) {
        if (true_now()) return true;
        step(end);
    }
    return true_now();
}

void SimulatedRig::set(const std::string& node, const std::string& property, const std::string& value) {
    const std::string topic = "homie/5/" + configuration_.device_id + "/" + node + "/" + property + "/set";
    person_->publish({topic, value, adapters::Delivery::event});
}

std::string SimulatedRig::shown(const std::string& node, const std::string& property) const {
    return broker_.retained("homie/5/" + configuration_.device_id + "/" + node + "/" + property).value_or("");
}

bool SimulatedRig::alert(const std::string& id) const {
    return broker_.retained("homie/5/" + configuration_.device_id + "/$alert/" + id).has_value();
}

rules::LoadIndex SimulatedRig::index(const std::string& load) const {
    const auto& loads = configuration_.rig.loads;
    return static_cast<rules::LoadIndex>(
        std::find_if(loads.begin(), loads.end(), [&](const rules::Load& l) { return l.id == load; }) -
        loads.begin());
}

std::string SimulatedRig::state(const std::string& load) const {
    return word(marshal().load(index(load)).state);
}

const virtual_rig::LoadTruth& SimulatedRig::truth_of(const std::string& load) {
    last_truth_ = rig_.truth();
    return *std::find_if(last_truth_.loads.begin(), last_truth_.loads.end(),
                         [&](const virtual_rig::LoadTruth& l) { return l.name == load; });
}

bool SimulatedRig::logged(const std::string& part) const {
    return std::any_of(log_.begin(), log_.end(),
                       [&](const std::string& line) { return line.find(part) != std::string::npos; });
}

}  // namespace ampmarshal::tests
