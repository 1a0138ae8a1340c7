#include "daemon/configuration.h"

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "adapters/rig_device.h"
#include "daemon/plates.h"
#include "daemon/watts.h"

namespace ampmarshal::daemon {

using nlohmann::json;
using Absent = Section::Absent;

namespace {

/// What holds where the file is silent. The schema tells the same.
namespace fallback {
constexpr int legs = 1;
constexpr double nominal_v = 120;
constexpr const char* broker_host = "127.0.0.1";
constexpr int broker_port = 1883;
constexpr int broker_port_tls = 8883;
constexpr int keepalive_s = 10;
constexpr double meter_period_ms = 1000;
constexpr double stale_after_periods = 3;
constexpr double stale_after_at_least_ms = 1000;
constexpr double largest_plausible_a = 500;
constexpr double start_window_s = 0.5;  // common practice, no source: a healthy start takes 0.1 to 0.5 s
constexpr double first_stage_after_s = 5;
// Only where the load starts hard. Common practice, no source: three to five minutes between compressor
// starts.
constexpr double minimum_off_s = 180;
constexpr double minimum_on_s = 120;
constexpr double latency_ms = 500;
constexpr double adjust_step_a = 1;
constexpr double adjust_every_s = 10;
constexpr int stall_retries = 0;
constexpr double reaction_ms = 50;
constexpr double steady_grace_s = 2;
constexpr double restore_after_s = 30;
constexpr double dwell_s = 600;
constexpr int starts_at_once = 1;
constexpr double start_minimum_share = 103.5 / 120;  // a 115 V motor less 10 %: NEMA MG 1, 12.44
constexpr double nominal_hz = 60;
constexpr const char* homie_domain = "homie";
}  // namespace fallback

constexpr Range amperes{0, largest_a};
constexpr int deepest_nesting = 32;

struct TopicUse {
    std::string topic;
    std::string pointer;
};

/// A configuration on its way, and what the checks across sections need to remember.
struct Draft {
    Configuration configuration;
    double nominal_v = fallback::nominal_v;
    std::vector<TopicUse> listened;
    std::vector<TopicUse> commanded;
    std::vector<double> power_factors;             ///< by LoadIndex
    std::vector<std::size_t> limits_in_watts;      ///< by SourceIndex: its first ones, from a plate in watts
    std::map<std::string, std::string> first_use;  ///< of what may be given only once: where it was given

    rules::Rig& rig() { return configuration.rig; }
    bool two_legs() const { return configuration.rig.legs == rules::LegSet::both(); }
};

rules::Duration milliseconds(double ms) {
    return rules::from_seconds(ms / 1000);
}

rules::Duration read_seconds(Section& section, std::string_view key, Range range,
                             std::optional<double> otherwise) {
    return rules::from_seconds(section.number(key, range, otherwise));
}

/// `what` names the family within which `value` may be given only once.
void only_once(Draft& draft, Section& section, std::string_view key, const std::string& what,
               const std::string& value) {
    if (value.empty()) return;
    const auto [first, fresh] = draft.first_use.emplace(what + ' ' + value, section.pointer_to(key));
    if (fresh) return;
    section.mistake(key, what + " " + value + " is taken by " + first->second, "give each its own");
}

std::string listened_topic(Draft& draft, Section& section) {
    std::string topic = section.topic("topic");
    draft.listened.push_back({topic, section.pointer_to("topic")});
    return topic;
}

std::vector<std::string> leg_words(const Draft& draft) {
    return draft.two_legs() ? std::vector<std::string>{"L1", "L2"} : std::vector<std::string>{"L1"};
}

void read_rig(Draft& draft, Section& section) {
    Configuration& configuration = draft.configuration;
    configuration.device_id = section.id("id", adapters::homie::id_fault);
    configuration.rig.name = section.text("name", configuration.device_id);
    const bool two = section.whole("legs", {1, 2}, fallback::legs) == 2;
    configuration.rig.legs = two ? rules::LegSet::both() : rules::LegSet(rules::Leg::l1);
    draft.nominal_v = section.number("nominal_v", {90, 260}, fallback::nominal_v);
    draft.rig().nominal_hz = section.number("nominal_hz", {45, 65}, fallback::nominal_hz);
}

void read_broker(Draft& draft, Section& section) {
    Broker& broker = draft.configuration.broker;
    broker.host = section.text("host", broker.host);
    broker.ca_file = section.optional_text("ca_file");
    broker.port = static_cast<std::uint16_t>(section.whole(
        "port", {1, 65535}, broker.ca_file ? fallback::broker_port_tls : fallback::broker_port));
    broker.client_id = section.text("client_id", broker.client_id);
    broker.username = section.optional_text("username");
    broker.password_file = section.optional_text("password_file");
    if (broker.password_file && !broker.username) {
        section.mistake("username", "is missing", "a password goes with a user name: give both or neither");
    }
    broker.keepalive = std::chrono::seconds(section.whole("keepalive_s", {5, 120}, fallback::keepalive_s));
}

rules::Feed read_feed(const Draft& draft, Section& section) {
    if (!draft.two_legs()) {
        section.one_of("feed", {"one_leg"}, 0);
        return rules::Feed::one_leg;
    }
    return section.one_of("feed", {"two_legs", "shared_by_legs"}) == 0 ? rules::Feed::two_legs
                                                                       : rules::Feed::shared_by_legs;
}

std::optional<adapters::NumberAt> read_number_at(Draft& draft, Section& parent, std::string_view key) {
    if (!parent.has(key)) return std::nullopt;
    adapters::NumberAt number;
    parent.object(key, Absent::skipped, [&](Section& section) {
        number.topic = listened_topic(draft, section);
        number.pointer = section.json_pointer("pointer");
        number.scale = section.number("scale", {-1e6, 1e6}, 1);
        if (number.scale == 0)
            section.mistake("scale", "makes every reading zero", "leave it out, or give 1");
    });
    return number;
}

void read_battery(Draft& draft, rules::Source& source, Section& section) {
    draft.configuration.battery_charge.back() = read_number_at(draft, section, "charge");
    if (!section.has("charge"))
        section.mistake("charge", "is missing", "tell where the charge in percent is published");
    const rules::LowBattery low{.stop_below_percent = section.number("stop_below_percent", {0, 99}),
                                .resume_from_percent = section.number("resume_from_percent", {1, 100})};
    if (section.sound() && low.resume_from_percent <= low.stop_below_percent) {
        section.mistake("resume_from_percent", "is not above stop_below_percent, so loads would come and go",
                        "give a few percent more");
    }
    source.low_battery = low;
}

void read_source(Draft& draft, Section& section) {
    const std::string id = section.id("id", adapters::source_id_fault);
    only_once(draft, section, "id", "source", id);
    const std::string name = section.text("name", id);
    const rules::Feed feed = read_feed(draft, section);
    const auto plate = read_plate(section, draft.configuration.warnings);
    std::vector<rules::Behind> behind;
    if (plate) behind = read_behind(section, feed, draft.configuration.warnings);
    const std::string fault = section.sound() ? rules::plate_fault(*plate) : "";
    if (!fault.empty()) section.mistake("", fault, "");
    // A mistaken source keeps its place and its id, so that what refers to it is not reported, too.
    rules::Source source{.id = id, .name = name, .nominal_v = draft.nominal_v, .feed = feed, .limits = {}};
    draft.limits_in_watts.push_back(0);
    if (section.sound()) {
        source = rules::compile(id, name, draft.nominal_v, feed, *plate, behind);
        if (!std::holds_alternative<rules::BreakerPlate>(*plate))
            draft.limits_in_watts.back() =
                rules::compile(id, name, draft.nominal_v, feed, *plate).limits.size();
    }
    draft.configuration.battery_charge.emplace_back();
    if (plate && std::holds_alternative<rules::InverterPlate>(*plate))
        section.object("battery", Absent::skipped, [&](Section& it) { read_battery(draft, source, it); });
    draft.rig().sources.push_back(std::move(source));
}

std::optional<rules::SourceIndex> known_source(Draft& draft, Section& section, std::string_view key,
                                               const std::string& id) {
    const auto& sources = draft.rig().sources;
    std::string known;
    for (rules::SourceIndex i = 0; i < sources.size(); ++i) {
        if (sources[i].id == id) return i;
        known += (known.empty() ? "" : ", ") + in_quotes(sources[i].id);
    }
    if (!sources.empty())
        section.mistake(key, in_quotes(id) + " is no source of this file", "give one of " + known);
    return std::nullopt;
}

void read_present_source(Draft& draft, Section& section) {
    Configuration& configuration = draft.configuration;
    if (const auto id = section.optional_text("id")) {
        configuration.present_source = known_source(draft, section, "id", *id);
    } else if (!section.has("topic")) {
        section.mistake("", "tells neither a source nor a topic", R"(give "id", or "topic", or both)");
    }
    if (!section.has("topic")) {
        for (const char* key : {"pointer", "names"}) {
            if (section.has(key))
                section.mistake(key, "is of no use without a topic", R"(give "topic", too)");
        }
        return;
    }
    SourceSelection selection{
        .topic = listened_topic(draft, section), .pointer = section.json_pointer("pointer"), .names = {}};
    for (rules::SourceIndex i = 0; i < draft.rig().sources.size(); ++i) {
        selection.names[draft.rig().sources[i].id] = i;
    }
    section.object("names", Absent::skipped, [&](Section& names) {
        for (const auto& name : names.keys()) {
            const std::string id = names.text(name);
            if (id.empty()) continue;
            if (const auto source = known_source(draft, names, name, id)) selection.names[name] = *source;
        }
    });
    configuration.source_selection = std::move(selection);
}

/// Where a meter's readings are found, and how often they come.
void read_readings(Draft& draft, Section& section, adapters::MeterWiring& meter) {
    meter.current = read_number_at(draft, section, "current");
    meter.power = read_number_at(draft, section, "power");
    if (meter.current.has_value() == meter.power.has_value()) {
        section.mistake(
            "", meter.current ? "has both a current and a power" : "has neither a current nor a power",
            "give one of them; the current if the meter tells both");
    }
    meter.voltage = read_number_at(draft, section, "voltage");
    meter.frequency = read_number_at(draft, section, "frequency");
    meter.peak = read_number_at(draft, section, "peak");
    const double period_ms = section.number("period_ms", {10, 60000}, fallback::meter_period_ms);
    const double stale_ms = section.number(
        "stale_after_ms", {10, 600000},
        std::max(fallback::stale_after_periods * period_ms, fallback::stale_after_at_least_ms));
    if (section.sound() && stale_ms <= period_ms) {
        section.mistake("stale_after_ms",
                        "is not longer than the period, so the meter would seem silent all the time",
                        "give about three periods");
    }
    meter.period = milliseconds(period_ms);
    meter.stale_after = milliseconds(stale_ms);
    meter.largest_plausible_a =
        section.number("largest_plausible_a", {1, 10000}, fallback::largest_plausible_a);
}

void read_meter(Draft& draft, Section& section) {
    adapters::MeterWiring meter{};
    meter.id = section.id("id", adapters::homie::id_fault);
    only_once(draft, section, "id", "meter", meter.id);
    if (const auto leg = section.one_of("leg", leg_words(draft))) {
        meter.leg = rules::all_legs[*leg];
        only_once(draft, section, "leg", "leg", rules::name(meter.leg));
    }
    meter.nominal_v = draft.nominal_v;
    read_readings(draft, section, meter);
    draft.rig().timing.meter_period[meter.leg] = meter.period;
    draft.rig().timing.stale_after[meter.leg] = meter.stale_after;
    draft.configuration.meters.push_back(std::move(meter));
}

void read_stage(Draft& draft, rules::Load& load, Section& section) {
    const bool first = load.stages.empty();
    rules::Stage stage{};
    stage.name = section.text("name", "stage " + std::to_string(load.stages.size() + 1));
    // A motor for 120 V is rated at 115 V, and so are the tables that a nameplate is read with.
    const double motor_v = draft.nominal_v * 115 / 120 * load.legs.count();
    stage.start_a = read_start_a(section, motor_v, draft.configuration.warnings);
    stage.start_window = read_seconds(section, "start_window_s", {0.02, 30}, fallback::start_window_s);
    stage.running_a = section.number("running_a", amperes);
    stage.latest_after = read_seconds(section, "latest_after_s", {0.1, 3600},
                                      first ? std::optional(fallback::first_stage_after_s) : std::nullopt);
    if (section.sound() && stage.start_a < stage.running_a) {
        section.mistake("start_a", "is below running_a",
                        "give the highest current of the start, at least running_a");
    }
    load.stages.push_back(std::move(stage));
}

/// A meter that watches this load and nothing else.
void read_own_meter(Draft& draft, rules::Load& load, Section& section) {
    adapters::MeterWiring meter{};
    meter.id = load.id;
    meter.leg = load.legs.first();
    meter.load = draft.rig().loads.size();
    meter.nominal_v = draft.nominal_v * load.legs.count();
    read_readings(draft, section, meter);
    load.own_meter = {meter.period, meter.stale_after};
    draft.configuration.meters.push_back(std::move(meter));
}

rules::LegSet read_legs(const Draft& draft, Section& section) {
    const auto possible = leg_words(draft);
    // Only on a rig with a single leg is it clear where a load sits.
    const auto words = section.texts("legs", draft.two_legs() ? std::nullopt : std::optional(possible));
    rules::LegSet legs;
    for (const auto& word : words) {
        const auto leg = std::find(possible.begin(), possible.end(), word);
        if (leg == possible.end()) {
            section.mistake(
                "legs", in_quotes(word) + " is no leg of this rig",
                draft.two_legs() ? R"(give "L1", "L2" or both)" : R"(give "L1", or set /rig/legs to 2)");
            continue;
        }
        const rules::LegSet one(rules::all_legs[leg - possible.begin()]);
        if (legs.contains(one)) section.mistake("legs", in_quotes(word) + " is given twice", "give it once");
        legs = legs | one;
    }
    return legs;
}

adapters::FeedbackWiring read_feedback(Draft& draft, Section& section, const adapters::SwitchWiring& wiring) {
    adapters::FeedbackWiring feedback{.topic = listened_topic(draft, section),
                                      .pointer = section.json_pointer("pointer"),
                                      .on = section.text("on", wiring.on_payload),
                                      .off = section.text("off", wiring.off_payload)};
    if (feedback.on == feedback.off)
        section.mistake("off", "is the same as \"on\"", "give two different texts");
    return feedback;
}

void read_switch(Draft& draft, rules::Load& load, Section& section) {
    adapters::SwitchWiring wiring;
    wiring.command_topic = section.topic("topic");
    wiring.on_payload = section.text("on", "ON");
    wiring.off_payload = section.text("off", "OFF");
    if (wiring.on_payload == wiring.off_payload) {
        section.mistake("off", "is the same as \"on\"", "give two different texts");
    } else if (!wiring.command_topic.empty()) {
        // Boards with one topic for many relays tell them apart by the payload, so only the pair must be
        // unique.
        only_once(draft, section, "on", "command", wiring.command_topic + ' ' + wiring.on_payload);
        only_once(draft, section, "off", "command", wiring.command_topic + ' ' + wiring.off_payload);
    }
    draft.commanded.push_back({wiring.command_topic, section.pointer_to("topic")});
    section.object("feedback", Absent::skipped,
                   [&](Section& feedback) { wiring.feedback = read_feedback(draft, feedback, wiring); });
    if (section.has("refresh_s"))
        wiring.refresh = read_seconds(section, "refresh_s", {1, 3600}, std::nullopt);
    load.switch_latency = milliseconds(section.number("latency_ms", {0, 60000}, fallback::latency_ms));
    load.reports_switch = wiring.feedback.has_value();
    draft.configuration.switches.back() = std::move(wiring);
}

adapters::SettingWiring read_setting_wiring(Draft& draft, Section& section) {
    using adapters::SettingWiring;
    const std::string place(SettingWiring::place);
    SettingWiring wiring{.topic = section.topic("topic"),
                         .payload = section.text("payload", place),
                         .scale = section.number("scale", {1e-6, 1e6}, 1)};
    const auto first = wiring.payload.find(place);
    if (first == std::string::npos || wiring.payload.find(place, first + place.size()) != std::string::npos)
        section.mistake("payload", "does not hold " + place + " once",
                        "put it where the number belongs, as in " + in_quotes("{\"amps\": " + place + "}"));
    else if (!wiring.topic.empty())
        only_once(draft, section, "topic", "setting", wiring.topic + ' ' + wiring.payload);
    draft.commanded.push_back({wiring.topic, section.pointer_to("topic")});
    return wiring;
}

void read_setting(Draft& draft, rules::Load& load, Section& section) {
    const double highest_a = load.running_a();
    rules::Adjustment by{.least_a = section.number("least_a", {0.1, largest_a}),
                         .step_a = section.number("step_a", {0.1, largest_a}, fallback::adjust_step_a),
                         .every = read_seconds(section, "every_s", {1, 3600}, fallback::adjust_every_s)};
    auto wiring = read_setting_wiring(draft, section);
    if (!section.sound() || load.stages.size() != 1) return;
    if (by.least_a >= highest_a)
        section.mistake("least_a",
                        "is not below the running_a of its stage, so there is nothing to turn down",
                        "give the lowest setting at which it still runs");
    load.adjustment = by;
    if (auto& relay = draft.configuration.switches.back()) relay->setting = std::move(wiring);
}

void read_adjustable(Draft& draft, rules::Load& load, bool adjustable, Section& section) {
    if (!adjustable) {
        if (section.has("setting"))
            section.mistake("setting", "is of use on an adjustable load only",
                            R"(leave it out, or give "control": "adjustable")");
        return;
    }
    if (load.stages.size() > 1)
        section.mistake("stages",
                        "has " + std::to_string(load.stages.size()) + " entries; an adjustable load has one",
                        "give what it draws at its highest setting");
    section.object("setting", Absent::mistaken, [&](Section& it) { read_setting(draft, load, it); });
}

void read_control(Draft& draft, rules::Load& load, Section& section) {
    if (!load.controlled()) {
        for (const char* key : {"rank", "rotation", "minimum_on_s", "minimum_off_s", "wanted",
                                "stall_retries", "switch", "setting"}) {
            if (!section.has(key)) continue;
            section.mistake(key, "is of no use on an observed load",
                            "leave it out, or give another \"control\"");
        }
        return;
    }
    load.rank = section.whole("rank", {1, 10000});
    if (section.has("rank")) only_once(draft, section, "rank", "rank", std::to_string(load.rank));
    const bool hard = load.starts_hard();
    load.minimum_on = read_seconds(section, "minimum_on_s", {0, 7200}, hard ? fallback::minimum_on_s : 0);
    load.minimum_off = read_seconds(section, "minimum_off_s", {0, 7200}, hard ? fallback::minimum_off_s : 0);
    load.rotation = section.optional_text("rotation").value_or("");
    load.wanted_at_start = section.flag("wanted", true);
    load.stall_retries = section.whole("stall_retries", {0, 10}, fallback::stall_retries);
    section.object("switch", Absent::mistaken, [&](Section& it) { read_switch(draft, load, it); });
}

void read_load(Draft& draft, Section& section) {
    rules::Load load{};
    load.id = section.id("id", adapters::load_id_fault);
    only_once(draft, section, "id", "load", load.id);
    load.name = section.text("name", load.id);
    load.legs = read_legs(draft, section);
    constexpr std::size_t adjustable = 2;
    constexpr rules::Control controls[] = {rules::Control::switched, rules::Control::permitted,
                                           rules::Control::switched, rules::Control::observed};
    const auto control = section.one_of("control", {"switched", "permitted", "adjustable", "observed"});
    draft.power_factors.push_back(section.number("power_factor", {0.1, 1}, 1));
    section.each("stages", 1, 2, [&](Section& stage) { read_stage(draft, load, stage); });
    section.object("meter", Absent::skipped, [&](Section& it) { read_own_meter(draft, load, it); });
    draft.configuration.switches.emplace_back();
    if (control) {
        load.control = controls[*control];
        read_control(draft, load, section);
        if (load.controlled()) read_adjustable(draft, load, *control == adjustable, section);
    } else {
        section.ignore_the_rest();
    }
    draft.rig().loads.push_back(std::move(load));
}

void read_decisions(Draft& draft, Section& section) {
    rules::Timing& timing = draft.rig().timing;
    timing.decision = milliseconds(section.number("reaction_ms", {1, 10000}, fallback::reaction_ms));
    timing.steady_grace = read_seconds(section, "steady_grace_s", {0, 60}, fallback::steady_grace_s);
    timing.restore_after = read_seconds(section, "restore_after_s", {0, 3600}, fallback::restore_after_s);
    timing.dwell = read_seconds(section, "dwell_s", {0, 86400}, fallback::dwell_s);
    draft.rig().start_minimum_v =
        section.number("start_minimum_v", {50, 260}, fallback::start_minimum_share * draft.nominal_v);
    timing.starts_at_once = section.whole("starts_at_once", {1, 16}, fallback::starts_at_once);
}

void read_publish(Draft& draft, Section& section) {
    const std::string domain = section.text("domain", fallback::homie_domain);
    if (domain.find_first_of("/+#$") != std::string::npos) {
        section.mistake("domain", in_quotes(domain) + " is not a single topic level",
                        "leave /, +, # and $ out");
    }
    draft.configuration.homie_domain = domain;
}

/// A message of ours that comes back to us as news would let a command prove itself.
void check_topics(const Draft& draft, Mistakes& mistakes) {
    const Configuration& configuration = draft.configuration;
    const std::string own = configuration.homie_domain + "/5/" + configuration.device_id + "/";
    for (const auto* uses : {&draft.listened, &draft.commanded}) {
        for (const auto& use : *uses) {
            if (!use.topic.starts_with(own)) continue;
            mistakes.push_back({use.pointer,
                                in_quotes(use.topic) + " is among the topics this rig is published on",
                                "give the device's own topic"});
        }
    }
    for (const auto& command : draft.commanded) {
        const auto heard = std::find_if(
            draft.listened.begin(), draft.listened.end(),
            [&](const TopicUse& use) { return !use.topic.empty() && use.topic == command.topic; });
        if (heard == draft.listened.end()) continue;
        mistakes.push_back({command.pointer,
                            in_quotes(command.topic) + " is listened to at " + heard->pointer,
                            "give different topics, or every command would be taken for an answer"});
    }
}

void check_legs_metered(const Draft& draft, Section& file) {
    for (const rules::Leg leg : rules::all_legs) {
        const auto& configuration = draft.configuration;
        if (!configuration.rig.legs.contains(leg)) continue;
        const bool metered = std::any_of(configuration.meters.begin(), configuration.meters.end(),
                                         [&](const auto& meter) { return !meter.load && meter.leg == leg; });
        if (metered) continue;
        file.mistake("meters", std::string("no meter watches ") + rules::name(leg),
                     "give one meter for each leg");
    }
}

void check_rotations(const Draft& draft, Section& file) {
    std::map<std::string, int> members;
    for (const rules::Load& load : draft.configuration.rig.loads)
        ++members[load.rotation];
    for (const auto& [rotation, count] : members) {
        if (rotation.empty() || count > 1) continue;
        file.mistake("loads", "only one load is of the rotation \"" + rotation + '"',
                     "give the others that it takes turns with the same \"rotation\", or leave it out");
    }
}

rules::LegSet legs_in_watts(const Draft& draft) {
    rules::LegSet legs;
    for (const adapters::MeterWiring& meter : draft.configuration.meters)
        if (meter.power && !meter.load) legs = legs | rules::LegSet(meter.leg);
    return legs;
}

void take_power_factors(Draft& draft) {
    auto& switches = draft.configuration.switches;
    for (rules::LoadIndex i = 0; i < switches.size(); ++i)
        if (switches[i] && switches[i]->setting && legs_in_watts(draft).contains(draft.rig().loads[i].legs))
            switches[i]->setting->scale /= draft.power_factors[i];
    // What a load's own meter says is counted as the meter of its leg counts it.
    for (adapters::MeterWiring& meter : draft.configuration.meters) {
        if (!meter.load || meter.power.has_value() == legs_in_watts(draft).contains(meter.leg)) continue;
        const double factor = draft.power_factors[*meter.load];
        if (meter.power) meter.power->scale /= factor;
        if (meter.current) meter.current->scale *= factor;
        if (meter.peak) meter.peak->scale *= meter.power ? 1 : factor;
    }
    const auto left =
        count_in_watts(draft.rig(), legs_in_watts(draft), draft.power_factors, draft.limits_in_watts);
    for (rules::SourceIndex i = 0; i < left.size(); ++i) {
        if (left[i] >= 1) continue;
        draft.configuration.warnings.push_back(
            {"/sources/" + std::to_string(i),
             "its limits in amperes count as " + std::to_string(std::lround(100 * left[i])) +
                 " %: the meter tells watts, and a load behind it has this power factor",
             "let the meter tell the current if it can"});
    }
}

/// Of a motor, the start that is highest: the others are small beside it.
rules::Duration window_of_highest_start(const rules::Load& load) {
    return std::max_element(load.stages.begin(), load.stages.end(),
                            [](const auto& a, const auto& b) { return a.start_a < b.start_a; })
        ->start_window;
}

/// A meter that is too slow for a motor's start measures all the rest, and its peak looks like a small one.
void warn_of_slow_meters(Draft& draft) {
    auto& meters = draft.configuration.meters;
    const auto& loads = draft.rig().loads;
    const auto watches = [&](const adapters::MeterWiring& meter, const rules::Load& load) {
        return meter.load ? loads[*meter.load].id == load.id : load.legs.contains(meter.leg);
    };
    const auto unseen = [&](const rules::Load& load) {
        return load.starts_hard() && !load.adjustment &&
               std::none_of(meters.begin(), meters.end(), [&](const auto& meter) {
                   return watches(meter, load) && rules::sees_peak(meter.peak.has_value(), meter.period,
                                                                   window_of_highest_start(load));
               });
    };
    for (std::size_t i = 0; i < meters.size(); ++i) {
        if (meters[i].load) continue;
        std::string names;
        auto shortest = rules::Duration::max();
        for (const rules::Load& load : loads) {
            if (!load.legs.contains(meters[i].leg) || !unseen(load)) continue;
            names += (names.empty() ? "" : ", ") + load.name;
            shortest = std::min(shortest, window_of_highest_start(load));
        }
        if (names.empty()) continue;
        const auto in_ms = [](rules::Duration d) {
            return std::to_string(std::chrono::floor<std::chrono::milliseconds>(d).count()) + " ms";
        };
        draft.configuration.warnings.push_back(
            {"/meters/" + std::to_string(i),
             "with a reading every " + in_ms(meters[i].period) + " it cannot see how high these start: " +
                 names + "; what is configured counts, and is never learned to be lower",
             R"(give its "peak" field if it has one, or let it tell the current every )" +
                 in_ms(shortest / 3) + " or sooner"});
    }
}

void read_file(Draft& draft, Section& file, Mistakes& mistakes) {
    const auto with = [&](auto read) { return [&draft, read](Section& section) { read(draft, section); }; };
    Configuration& configuration = draft.configuration;
    file.optional_text("$schema");  // for editors only
    file.object("rig", Absent::mistaken, with(read_rig));
    configuration.broker.host = fallback::broker_host;
    configuration.broker.client_id = "ampmarshal-" + configuration.device_id;
    file.object("broker", Absent::empty, with(read_broker));
    file.each("sources", 1, 32, with(read_source));
    if (file.has("present_source")) {
        file.object("present_source", Absent::skipped, with(read_present_source));
    } else if (configuration.rig.sources.size() == 1) {
        configuration.present_source = 0;
    }
    file.each("meters", 1, 2, with(read_meter));
    file.each("loads", 0, 512, with(read_load));
    if (mistakes.empty()) check_rotations(draft, file);  // a load that could not be read may be the other one
    file.object("decisions", Absent::empty, with(read_decisions));
    file.object("publish", Absent::empty, with(read_publish));
    configuration.state_file = file.optional_text("state_file");
    configuration.on_stop = file.one_of("on_stop", {"hold", "leave"}, 0) == 0 ? OnStop::hold : OnStop::leave;
    if (!configuration.meters.empty()) check_legs_metered(draft, file);
    check_topics(draft, mistakes);
    if (!mistakes.empty()) return;
    take_power_factors(draft);
    warn_of_slow_meters(draft);
}

/// Follows the parser through the file, to find what it would pass over in silence: a key given twice in one
/// object (the last would win), and nesting that no configuration needs.
class Nesting {
  public:
    explicit Nesting(Mistakes& mistakes) : mistakes_(mistakes) {}

    bool operator()(int depth, json::parse_event_t event, const json& parsed) {
        using Event = json::parse_event_t;
        if (too_deep_) return false;
        if (event == Event::object_start || event == Event::array_start) {
            levels_.push_back({.pointer = here(), .is_list = event == Event::array_start});
        } else if (event == Event::key) {
            enter(parsed.get_ref<const std::string&>());
        } else {
            if (event != Event::value) levels_.pop_back();
            if (!levels_.empty()) ++levels_.back().index;
        }
        too_deep_ = depth > deepest_nesting;
        if (too_deep_)
            mistakes_.push_back({here(), "is nested too deeply", "see the examples for the shape"});
        return !too_deep_;
    }

  private:
    struct Level {
        std::string pointer;
        bool is_list;
        std::size_t index = 0;
        std::string key{};
        std::set<std::string> keys{};
    };

    std::string here() const {
        if (levels_.empty()) return "";
        const Level& level = levels_.back();
        return level.pointer + "/" + (level.is_list ? std::to_string(level.index) : level.key);
    }

    void enter(const std::string& key) {
        Level& level = levels_.back();
        level.key = key;
        if (level.keys.insert(key).second) return;
        mistakes_.push_back({here(), "is given twice", "give it once"});
    }

    Mistakes& mistakes_;
    std::vector<Level> levels_;
    bool too_deep_ = false;
};

Mistake not_json(std::string_view text, const json::parse_error& error) {
    // The parser counts from 1, and points at the last byte that it read.
    const std::string_view read = text.substr(0, error.byte > 0 ? error.byte - 1 : 0);
    const auto line = 1 + std::count(read.begin(), read.end(), '\n');
    const auto column = read.size() - (read.rfind('\n') + 1) + 1;
    const std::string_view what = error.what();
    const auto reason = what.find("syntax error");
    return {"",
            "line " + std::to_string(line) + ", column " + std::to_string(column) +
                " is not JSON: " + std::string(reason == std::string_view::npos ? what : what.substr(reason)),
            "names and texts stand in double quotes, members are separated by commas, the last has none "
            "after it; "
            "// comments are allowed"};
}

}  // namespace

ConfigurationOrMistakes read_configuration(std::string_view text) {
    if (text.size() > largest_configuration_bytes) {
        return Mistakes{{"", "is larger than 1 MiB", "is this the configuration?"}};
    }
    Mistakes mistakes;
    json document;
    try {
        Nesting nesting(mistakes);
        document = json::parse(text, std::ref(nesting), true, true);
    } catch (const json::parse_error& error) {
        return Mistakes{not_json(text, error)};
    } catch (const json::out_of_range& error) {
        return Mistakes{{"", error.what(), "no figure in here is that large"}};
    }
    if (!mistakes.empty()) return mistakes;
    Draft draft;
    Section::read(document, "", mistakes, [&](Section& file) { read_file(draft, file, mistakes); });
    if (!mistakes.empty()) return mistakes;
    return std::move(draft.configuration);
}

ConfigurationOrMistakes load_configuration(const std::string& path) {
    errno = 0;
    std::ifstream file(path, std::ios::binary);
    std::string text(largest_configuration_bytes + 1, '\0');
    file.read(text.data(), static_cast<std::streamsize>(text.size()));
    if (!file.eof() && file.gcount() == 0) {
        return Mistakes{{"", "cannot be read: " + std::string(std::strerror(errno)),
                         "check the path and who may read it"}};
    }
    text.resize(static_cast<std::size_t>(file.gcount()));
    return read_configuration(text);
}

}  // namespace ampmarshal::daemon
