#include "tests/simulation/case.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "tests/simulation/random_rig.h"

namespace ampmarshal::tests {

namespace {

using nlohmann::ordered_json;
using rules::Duration;

double milliseconds(Duration time) {
    return 1000 * rules::seconds(time);
}

ordered_json source_entry(const virtual_rig::SourcePlan& plan, const virtual_rig::RigPlan& rig) {
    ordered_json entry{{"id", plan.name}};
    if (rig.legs == 2) entry["feed"] = plan.one_conductor ? "shared_by_legs" : "two_legs";
    if (const auto* breaker = std::get_if<virtual_rig::BreakerPlan>(&plan.kind)) {
        entry["kind"] = "breaker";
        entry["rating_a"] = breaker->rating_a;
    } else if (const auto* generator = std::get_if<virtual_rig::GeneratorPlan>(&plan.kind)) {
        entry["kind"] = "generator";
        entry["running_w"] = generator->running_w;
        entry["starting_w"] = generator->starting_w;
        entry["starting_for_s"] = rules::seconds(generator->starting_allowed);
    } else {
        const auto& inverter = std::get<virtual_rig::InverterPlan>(plan.kind);
        entry["kind"] = "inverter";
        entry["continuous_w"] = inverter.continuous_w;
        entry["surge_w"] = inverter.surge_w;
        entry["surge_for_s"] = rules::seconds(inverter.surge_allowed);
    }
    return entry;
}

ordered_json meter_entry(const adapters::MeterWiring& meter) {
    const auto at = [&](const char* pointer) {
        return ordered_json{{"topic", meter.current->topic}, {"pointer", pointer}};
    };
    ordered_json entry;
    if (!meter.load)
        entry = {{"id", meter.leg == rules::Leg::l1 ? "meter-l1" : "meter-l2"},
                 {"leg", rules::name(meter.leg)}};
    entry["current"] = at("/current");
    entry["voltage"] = at("/voltage");
    if (meter.peak) entry["peak"] = at("/peak");
    entry["frequency"] = at("/frequency");
    entry["period_ms"] = milliseconds(meter.period);
    entry["stale_after_ms"] = milliseconds(meter.stale_after);
    return entry;
}

ordered_json load_entry(const rules::Load& load, const std::optional<adapters::SwitchWiring>& wiring) {
    static constexpr const char* controls[] = {"switched", "permitted", "observed"};
    ordered_json entry{{"id", load.id}, {"control", controls[static_cast<std::size_t>(load.control)]}};
    for (const rules::Leg leg : rules::all_legs)
        if (load.legs.contains(leg)) entry["legs"].push_back(rules::name(leg));
    for (const rules::Stage& stage : load.stages)
        entry["stages"].push_back({{"name", stage.name},
                                   {"start_a", stage.start_a},
                                   {"start_window_s", rules::seconds(stage.start_window)},
                                   {"running_a", stage.running_a},
                                   {"latest_after_s", rules::seconds(stage.latest_after)}});
    if (!wiring) return entry;
    entry["rank"] = load.rank;
    entry["minimum_on_s"] = rules::seconds(load.minimum_on);
    entry["minimum_off_s"] = rules::seconds(load.minimum_off);
    entry["switch"] = {{"topic", wiring->command_topic}, {"latency_ms", milliseconds(load.switch_latency)}};
    if (wiring->feedback) entry["switch"]["feedback"] = {{"topic", wiring->feedback->topic}};
    if (wiring->refresh) entry["switch"]["refresh_s"] = rules::seconds(*wiring->refresh);
    return entry;
}

}  // namespace

Case draw_case(std::uint64_t seed, Duration time) {
    virtual_rig::Random random(seed, 0x52);
    Case c{seed, time, random_rig(seed, time), random.uniform() < 0.5, random.uniform() < 0.25, {}, {}};
    for (std::size_t i = 0; i < c.plan.loads.size(); ++i)
        c.believed.push_back({random.uniform(1 - running_error, 1 + running_error),
                              random.uniform(1 - start_too_low, 1 + start_too_high)});
    if (!c.healthy) c.faults = draw_faults(seed, c.plan, c.wireless, time, std::min(calm_after, time / 2));
    return c;
}

Case with_loads(const Case& whole, const std::vector<std::string>& names) {
    const auto kept = [&](const std::string& name) {
        return name == "base" || std::find(names.begin(), names.end(), name) != names.end();
    };
    Case narrow = whole;
    narrow.plan.loads.clear();
    narrow.believed.clear();
    for (std::size_t i = 0; i < whole.plan.loads.size(); ++i) {
        if (!kept(whole.plan.loads[i].name)) continue;
        narrow.plan.loads.push_back(whole.plan.loads[i]);
        narrow.believed.push_back(whole.believed[i]);
    }
    std::erase_if(narrow.faults, [&](const Fault& f) { return !f.load.empty() && !kept(f.load); });
    return narrow;
}

Case with_faults(const Case& whole, const std::vector<std::size_t>& numbers) {
    Case narrow = whole;
    std::erase_if(narrow.faults, [&](const Fault& f) {
        return std::find(numbers.begin(), numbers.end(), f.number) == numbers.end();
    });
    return narrow;
}

daemon::Configuration configuration_of(const Case& c) {
    daemon::Configuration configuration = configuration_of(c.plan);
    if (c.wireless) configuration.rig.timing.decision += wireless_delay;
    std::size_t next = 0;
    for (std::size_t i = 0; i < c.plan.loads.size(); ++i) {
        if (std::holds_alternative<virtual_rig::BaseLoadPlan>(c.plan.loads[i].kind)) continue;
        for (rules::Stage& stage : configuration.rig.loads[next++].stages) {
            const bool hard = stage.start_a > stage.running_a;
            stage.running_a *= c.believed[i].running;
            // What does not start hard is written with as much for both, and no less than it may start with.
            stage.start_a *= hard ? c.believed[i].start : std::min(c.believed[i].start, 1.0);
            stage.start_a = std::max(stage.start_a, stage.running_a);
        }
    }
    return configuration;
}

std::string configuration_file(const Case& c) {
    const daemon::Configuration configuration = configuration_of(c);
    const rules::Timing& timing = configuration.rig.timing;
    ordered_json file{{"rig", {{"id", c.plan.name}, {"legs", c.plan.legs}, {"nominal_v", c.plan.nominal_v}}},
                      {"broker", {{"host", "127.0.0.1"}}}};
    for (const auto& source : c.plan.sources)
        file["sources"].push_back(source_entry(source, c.plan));
    file["present_source"] = {{"id", c.plan.sources.front().name},
                              {"topic", configuration.source_selection->topic}};
    for (std::size_t i = 0; i < configuration.rig.loads.size(); ++i)
        file["loads"].push_back(load_entry(configuration.rig.loads[i], configuration.switches[i]));
    for (const auto& meter : configuration.meters) {
        if (meter.load)
            file["loads"][*meter.load]["meter"] = meter_entry(meter);
        else
            file["meters"].push_back(meter_entry(meter));
    }
    file["decisions"] = {{"reaction_ms", milliseconds(timing.decision)},
                         {"steady_grace_s", rules::seconds(timing.steady_grace)},
                         {"restore_after_s", rules::seconds(timing.restore_after)},
                         {"dwell_s", rules::seconds(timing.dwell)}};
    return file.dump(2);
}

}  // namespace ampmarshal::tests
