#include "adapters/rig_device.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

namespace ampmarshal::adapters {
namespace {

using homie::Datatype;
using homie::Property;
using homie::PropertyIndex;
using rules::LoadState;

constexpr std::string_view source_node = "source";
constexpr std::string_view rig_node = "rig";
constexpr std::string_view unknown_source = "unknown";
constexpr const char* true_or_false[] = {"false", "true"};

constexpr LoadState all_states[] = {LoadState::running, LoadState::starting,  LoadState::permitted,
                                    LoadState::waiting, LoadState::resting,   LoadState::shed,
                                    LoadState::off,     LoadState::locked_out};

/// A time to trip of a day means a day or more, or never: a rule that compares seconds needs no special case.
constexpr int longest_time_to_trip_s = 86'400;

/// A countdown tells tens of seconds at its finest, and sentences take long to write.
constexpr rules::Duration countdown_every = std::chrono::seconds(5);

Property amperes(std::string id, std::string name) {
    return {.id = std::move(id),
            .name = std::move(name),
            .datatype = Datatype::floating,
            .unit = "A",
            .at_most_every = reading_every,
            .at_once_from = jump_a};
}

std::string suffix(rules::Leg leg) {
    return leg == rules::Leg::l1 ? "-l1" : "-l2";
}

std::string states() {
    std::string list;
    for (const LoadState state : all_states) {
        if (!list.empty()) list += ',';
        list += word(state);
    }
    return list;
}

/// Alert ids may not hold the underscores of the rules' words.
std::string alert_id(rules::AlertKind kind, std::optional<rules::LoadIndex> load, const rules::Rig& rig) {
    std::string id = word(kind);
    std::replace(id.begin(), id.end(), '_', '-');
    return load ? id + "-" + rig.loads[*load].id : id;
}

double whole_seconds(std::optional<rules::Duration> time) {
    if (!time) return longest_time_to_trip_s;
    return std::clamp(std::floor(rules::seconds(*time)), 0.0, 1.0 * longest_time_to_trip_s);
}

/// Rounded up, so that what was asked for shows at first, and 0 only when it is over.
std::int64_t minutes_left(std::optional<rules::Duration> preferred_for) {
    if (!preferred_for) return 0;
    const auto whole = std::chrono::ceil<std::chrono::minutes>(*preferred_for).count();
    return std::clamp<std::int64_t>(whole, 0, longest_preference.count());
}

/// The smallest headrooms over the limits that touch `legs`.
struct Headrooms {
    double steady_a;
    double start_a;
};

Headrooms smallest(const std::vector<rules::LimitView>& limits, const rules::Source& source,
                   rules::LegSet legs) {
    std::optional<Headrooms> least;
    for (std::size_t i = 0; i < limits.size(); ++i) {
        const rules::LegSet covered = source.limits[i].legs;
        const bool touches =
            std::any_of(std::begin(rules::all_legs), std::end(rules::all_legs),
                        [&](rules::Leg leg) { return covered.contains(leg) && legs.contains(leg); });
        if (!touches) continue;
        if (!least) least = {limits[i].steady_headroom_a, limits[i].start_headroom_a};
        least->steady_a = std::min(least->steady_a, limits[i].steady_headroom_a);
        least->start_a = std::min(least->start_a, limits[i].start_headroom_a);
    }
    return least.value_or(Headrooms{0, 0});
}

/// " (60.4 A of 28.5 A)"; a figure that is not finite is left out: there is nothing to compare with.
std::string figures(const rules::Reason& why) {
    if (!std::isfinite(why.needed_a)) return {};
    std::string text = " (" + homie::decimal(why.needed_a, 1) + " A";
    if (std::isfinite(why.available_a)) text += " of " + homie::decimal(why.available_a, 1) + " A";
    return text + ")";
}

std::size_t highest_start(const rules::Load& load) {
    const auto highest =
        std::max_element(load.stages.begin(), load.stages.end(),
                         [](const auto& one, const auto& other) { return one.start_a < other.start_a; });
    return static_cast<std::size_t>(highest - load.stages.begin());
}

/// The median of the peaks that the meter saw.
std::optional<double> usual_start_a(const rules::StageProfile::Memory& taught) {
    std::array<double, rules::StageProfile::remembered> peaks_a{};
    std::size_t seen = 0;
    for (std::size_t i = 0; i < taught.count; ++i)
        if (taught.last[i].saw_peak) peaks_a[seen++] = taught.last[i].peak_a;
    if (seen == 0) return std::nullopt;
    return rules::spread(std::span(peaks_a.data(), seen)).median;
}

/// It has changed only where the number of starts has.
void take_learned(RigSnapshot::OfLoad& shown, const rules::StageProfile::Memory& taught) {
    if (shown.starts_seen == taught.seen) return;
    shown.starts_seen = taught.seen;
    shown.usual_start_a = usual_start_a(taught);
}

/// All of a snapshot but the loads.
void take_supply(RigSnapshot& shown, const rules::Marshal& marshal) {
    const rules::Rig& rig = marshal.rig();
    const std::vector<rules::LimitView> limits = marshal.limits();
    shown.source = marshal.source();
    shown.stopped = marshal.everything_stopped();
    const auto headrooms = [&](rules::LegSet legs) {
        return shown.source ? smallest(limits, rig.sources[*shown.source], legs) : Headrooms{0, 0};
    };
    for (const rules::Leg leg : rules::all_legs) {
        const Headrooms on_leg = headrooms(rules::LegSet(leg));
        shown.legs[leg] = {marshal.current_a(leg), marshal.voltage_v(leg), on_leg.steady_a, on_leg.start_a};
    }
    const Headrooms on_all = headrooms(rules::LegSet::both());
    shown.steady_headroom_a = on_all.steady_a;
    shown.start_headroom_a = on_all.start_a;
    shown.time_to_trip.reset();
    for (const rules::LimitView& limit : limits) {
        const auto trips = limit.time_to_trip;
        if (trips && (!shown.time_to_trip || *trips < *shown.time_to_trip)) shown.time_to_trip = trips;
    }
}

/// All of it but the sentence.
void take_load(RigSnapshot::OfLoad& shown, const rules::LoadView& load, rules::Instant now) {
    shown.state = load.state;
    shown.wanted = load.wanted;
    shown.held = load.held;
    shown.drawn_a = load.drawn_a;
    shown.reason = load.reason.kind;
    shown.setting_a = load.setting_a;
    shown.preferred_for.reset();
    if (load.preferred_until) shown.preferred_for = *load.preferred_until - now;
}

}  // namespace

RigSnapshot snapshot(const rules::Marshal& marshal, rules::Instant now) {
    return Snapshots(marshal).take({}, now);
}

Snapshots::Snapshots(const rules::Marshal& marshal) : marshal_(marshal) {
    for (const rules::Load& load : marshal.rig().loads)
        highest_starts_.push_back(highest_start(load));
    shown_.loads.resize(highest_starts_.size());
}

const RigSnapshot& Snapshots::take(std::span<const rules::Action> since, rules::Instant now) {
    const auto source = shown_.source;
    take_supply(shown_, marshal_);
    // A reason may name a limit of the source.
    const bool all = !counted_down_at_ || source != shown_.source;
    const bool countdowns = all || now - *counted_down_at_ >= countdown_every;
    if (countdowns) counted_down_at_ = now;
    const auto write = [&](rules::LoadIndex i, const rules::Reason& reason) {
        shown_.loads[i].sentence = rules::sentence(reason, marshal_.rig(), shown_.source, now);
    };
    for (rules::LoadIndex i = 0; i < shown_.loads.size(); ++i) {
        const rules::LoadView load = marshal_.load(i);
        take_load(shown_.loads[i], load, now);
        take_learned(shown_.loads[i], marshal_.profile(i, highest_starts_[i]).memory());
        if (all || (countdowns && load.reason.until)) write(i, load.reason);
    }
    for (const rules::Action& action : since)
        if (const auto* changed = std::get_if<rules::LoadChanged>(&action))
            write(changed->load, marshal_.load(changed->load).reason);
    return shown_;
}

std::string alert_sentence(const rules::AlertRaised& alert, const rules::Rig& rig,
                           std::optional<rules::SourceIndex> source, rules::Instant now) {
    const std::string about = (alert.load ? rig.loads[*alert.load].name : rig.name) + ": ";
    const auto what_carries = [&] {
        const rules::Reason& why = alert.reason;
        // The limit is one of the source at which the alert was raised; the rig may have moved since.
        if (!source || !why.limit || *why.limit >= rig.sources[*source].limits.size()) {
            return std::string{"the source carries"};
        }
        return rig.sources[*source].limits[*why.limit].name + " carries" + figures(why);
    };
    switch (alert.kind) {
        case rules::AlertKind::overload:
            return about + "more than " + what_carries() + ", and nothing more can be shed";
        case rules::AlertKind::trip_nears: return about + "close to what " + what_carries() + " for long";
        case rules::AlertKind::start_tight:
            return about + "a start that may come takes most of what " + what_carries();
        case rules::AlertKind::meter_silent:
            return about + "a meter is silent, so every load on its leg is counted at its worst";
        case rules::AlertKind::low_voltage: return about + "the line voltage is too low for motors";
        case rules::AlertKind::high_voltage:
            return about +
                   "the line voltage is too high; unplug what is delicate, and have the supply looked at";
        case rules::AlertKind::low_frequency: return about + "the generator is bogging down";
        case rules::AlertKind::open_neutral:
            return about +
                   "DANGER: the two legs move apart, the neutral may be open; unplug and have the supply "
                   "looked at";
        case rules::AlertKind::battery_low:
            return about + "the battery is low; loads wait until it is charged again";
        case rules::AlertKind::not_adjusted: return about + "was turned down, and its current stays";
        case rules::AlertKind::departed:
            if (alert.departure && alert.load) {
                const rules::Load& load = rig.loads[*alert.load];
                return about + rules::sentence(*alert.departure, load, alert.stage);
            }
            break;
        case rules::AlertKind::stall:
        case rules::AlertKind::disobedience:
        case rules::AlertKind::supply_lost:
        case rules::AlertKind::did_not_start: break;
    }
    return about + rules::sentence(alert.reason, rig, source, now);
}

std::string load_id_fault(std::string_view id) {
    if (id == source_node) return "'source' names the topics of the source itself; give the load another id";
    if (id == rig_node) return "'rig' names the topics of the whole rig; give the load another id";
    return homie::id_fault(id);
}

std::string source_id_fault(std::string_view id) {
    if (id == unknown_source) return "'unknown' means that no source is known; give the source another id";
    return homie::id_fault(id);
}

RigDevice::RigDevice(homie::Identity identity, const rules::Rig& rig)
    : rig_(rig), device_(std::move(identity)) {
    declare_source();
    declare_rig();
    loads_.reserve(rig.loads.size());
    for (const rules::Load& load : rig.loads)
        declare_load(load);
}

void RigDevice::declare_source() {
    const auto node = device_.add_node(std::string(source_node), "Source", "source");
    std::string sources{unknown_source};
    for (const rules::Source& source : rig_.sources)
        sources += "," + source.id;
    source_.present = device_.add_property(node, {.id = "present",
                                                  .name = "Where the rig is plugged in",
                                                  .datatype = Datatype::enumeration,
                                                  .format = sources,
                                                  .settable = true});
    source_.steady_headroom =
        device_.add_property(node, amperes("headroom-steady", "Free for running loads"));
    source_.start_headroom = device_.add_property(node, amperes("headroom-start", "Free for one more start"));
    source_.time_to_trip =
        device_.add_property(node, {.id = "time-to-trip",
                                    .name = "Time to trip at the present current; a day stands for never",
                                    .datatype = Datatype::integer,
                                    .format = "0:" + std::to_string(longest_time_to_trip_s),
                                    .unit = "s",
                                    .at_most_every = reading_every});
    for (const rules::Leg leg : rules::all_legs) {
        if (rig_.legs.contains(leg)) legs_[leg] = declare_leg(node, leg);
    }
}

void RigDevice::declare_rig() {
    const auto node = device_.add_node(std::string(rig_node), "The whole rig", "rig");
    stop_all_ = device_.add_property(node, {.id = "stop-all",
                                            .name = "Everything off that can be switched off",
                                            .datatype = Datatype::boolean,
                                            .format = "goes on,stopped",
                                            .settable = true});
}

RigDevice::LegProperties RigDevice::declare_leg(homie::NodeIndex node, rules::Leg leg) {
    const std::string on = std::string(" on ") + rules::name(leg);
    LegProperties p{};
    p.metered = device_.add_property(node, {.id = "metered" + suffix(leg),
                                            .name = "Meter" + on,
                                            .datatype = Datatype::boolean,
                                            .format = "silent,heard"});
    p.current = device_.add_property(node, amperes("current" + suffix(leg), "Current" + on));
    p.voltage = device_.add_property(node, {.id = "voltage" + suffix(leg),
                                            .name = "Voltage" + on,
                                            .datatype = Datatype::floating,
                                            .unit = "V",
                                            .at_most_every = reading_every,
                                            .at_once_from = jump_v});
    if (rig_.legs.count() > 1) {
        p.steady_headroom = device_.add_property(
            node, amperes("headroom-steady" + suffix(leg), "Free for running loads" + on));
        p.start_headroom = device_.add_property(
            node, amperes("headroom-start" + suffix(leg), "Free for one more start" + on));
    }
    return p;
}

void RigDevice::declare_load(const rules::Load& load) {
    const auto node = device_.add_node(load.id, load.name, "load");
    LoadNode p{};
    p.state = device_.add_property(
        node, {.id = "state", .name = "State", .datatype = Datatype::enumeration, .format = states()});
    p.reason = device_.add_property(
        node, {.id = "reason", .name = "Reason, for rules", .datatype = Datatype::string});
    p.sentence = device_.add_property(node, {.id = "sentence",
                                             .name = "Reason, for people",
                                             .datatype = Datatype::string,
                                             .at_most_every = reading_every});
    p.current = device_.add_property(node, amperes("current", "Estimated current"));
    if (load.adjustment) p.setting = device_.add_property(node, amperes("setting", "May draw at most"));
    if (load.controlled()) p.operated = declare_operated(node);
    if (!load.adjustment) p.learning = declare_learning(node);
    loads_.push_back(p);
}

RigDevice::Operated RigDevice::declare_operated(homie::NodeIndex node) {
    const auto flag = [&](std::string id, std::string name, std::string labels, bool settable) {
        return device_.add_property(node, {.id = std::move(id),
                                           .name = std::move(name),
                                           .datatype = Datatype::boolean,
                                           .format = std::move(labels),
                                           .settable = settable});
    };
    Operated o{};
    o.demand = flag("demand", "Asked to run", "not wanted,wanted", true);
    o.hold = flag("hold", "Held off by a person", "free,held", true);
    o.prefer = device_.add_property(node, {.id = "prefer",
                                           .name = "Goes before all ranks, for so long",
                                           .datatype = Datatype::integer,
                                           .format = "0:" + std::to_string(longest_preference.count()),
                                           .unit = "min",
                                           .settable = true});
    o.locked_out = flag("locked-out", "Stays off until acknowledged", "no,yes", false);
    o.acknowledge = device_.add_property(node, {.id = "acknowledge",
                                                .name = "Let it run again after a lockout",
                                                .datatype = Datatype::enumeration,
                                                .format = "acknowledge",
                                                .settable = true,
                                                .retained = false});
    return o;
}

RigDevice::Learning RigDevice::declare_learning(homie::NodeIndex node) {
    Learning l{};
    l.starts_seen = device_.add_property(node, {.id = "starts-seen",
                                                .name = "Starts that something was learned from",
                                                .datatype = Datatype::integer,
                                                .format = "0:"});
    l.usual_start = device_.add_property(
        node, {.id = "usual-start", .name = "Usual start", .datatype = Datatype::floating, .unit = "A"});
    l.forget = device_.add_property(node, {.id = "forget",
                                           .name = "Forget what its starts have taught",
                                           .datatype = Datatype::enumeration,
                                           .format = "forget",
                                           .settable = true,
                                           .retained = false});
    return l;
}

void RigDevice::link_up(const RigSnapshot& snapshot, rules::Instant now, Link& link) {
    put(snapshot);
    device_.link_up(now, link);
}

void RigDevice::apply(std::span<const rules::Action> actions, const RigSnapshot& snapshot, rules::Instant now,
                      Link& link) {
    for (const rules::Action& action : actions)
        note(action, snapshot.source, now);
    refresh(snapshot, now, link);
}

void RigDevice::refresh(const RigSnapshot& snapshot, rules::Instant now, Link& link) {
    put(snapshot);
    device_.flush(now, link);
}

void RigDevice::note(const rules::Action& action, std::optional<rules::SourceIndex> source,
                     rules::Instant now) {
    if (const auto* raised = std::get_if<rules::AlertRaised>(&action)) {
        device_.raise_alert(alert_id(raised->kind, raised->load, rig_),
                            alert_sentence(*raised, rig_, source, now));
    } else if (const auto* cleared = std::get_if<rules::AlertCleared>(&action)) {
        device_.clear_alert(alert_id(cleared->kind, cleared->load, rig_));
    }
}

void RigDevice::put(const RigSnapshot& snapshot) {
    device_.put(source_.present, snapshot.source ? rig_.sources[*snapshot.source].id : unknown_source);
    device_.put(stop_all_, true_or_false[snapshot.stopped]);
    device_.put(source_.steady_headroom, snapshot.steady_headroom_a, 1);
    device_.put(source_.start_headroom, snapshot.start_headroom_a, 1);
    device_.put(source_.time_to_trip, whole_seconds(snapshot.time_to_trip), 0);
    for (const rules::Leg leg : rules::all_legs) {
        if (legs_[leg]) put_leg(*legs_[leg], snapshot.legs[leg]);
    }
    for (std::size_t i = 0; i < loads_.size(); ++i)
        put_load(loads_[i], snapshot.loads[i]);
}

void RigDevice::put_leg(const LegProperties& properties, const RigSnapshot::OnLeg& leg) {
    const auto put_if_known = [&](PropertyIndex property, std::optional<double> value) {
        if (value)
            device_.put(property, *value, 1);
        else
            device_.clear(property);
    };
    device_.put(properties.metered, true_or_false[leg.current_a.has_value()]);
    put_if_known(properties.current, leg.current_a);
    put_if_known(properties.voltage, leg.voltage_v);
    if (properties.steady_headroom) device_.put(*properties.steady_headroom, leg.steady_headroom_a, 1);
    if (properties.start_headroom) device_.put(*properties.start_headroom, leg.start_headroom_a, 1);
}

void RigDevice::put_learning(LoadNode& node, const RigSnapshot::OfLoad& load) {
    if (!node.learning) return;
    device_.put(node.learning->starts_seen, static_cast<double>(load.starts_seen), 0);
    if (load.usual_start_a)
        device_.put(node.learning->usual_start, *load.usual_start_a, 1);
    else
        device_.clear(node.learning->usual_start);
    if (std::exchange(node.forgotten, false)) device_.put(node.learning->forget, "forget");
}

void RigDevice::put_load(LoadNode& node, const RigSnapshot::OfLoad& load) {
    if (node.put == load && !node.acknowledged && !node.forgotten) return;
    node.put = load;
    device_.put(node.state, word(load.state));
    device_.put(node.reason, word(load.reason));
    device_.put(node.sentence, load.sentence);
    device_.put(node.current, load.drawn_a, 1);
    if (node.setting && load.setting_a) device_.put(*node.setting, *load.setting_a, 1);
    put_learning(node, load);
    if (!node.operated) return;
    const bool locked_out = load.state == LoadState::locked_out;
    device_.put(node.operated->demand, true_or_false[load.wanted]);
    device_.put(node.operated->hold, true_or_false[load.held]);
    device_.put(node.operated->prefer, static_cast<double>(minutes_left(load.preferred_for)), 0);
    device_.put(node.operated->locked_out, true_or_false[locked_out]);
    if (node.acknowledged && !locked_out) {
        device_.put(node.operated->acknowledge, "acknowledge");
        node.acknowledged = false;
    }
}

std::string RigDevice::received(rules::Instant now, const Message& message, std::vector<rules::Event>& out) {
    const homie::Incoming incoming = device_.received(message);
    if (const auto* refused = std::get_if<homie::Refused>(&incoming)) {
        ++ignored_;
        return refused->why;
    }
    if (const auto* command = std::get_if<homie::Command>(&incoming)) ask(*command, now, out);
    return {};
}

void RigDevice::ask(const homie::Command& command, rules::Instant now, std::vector<rules::Event>& out) {
    if (command.property == source_.present) {
        rules::SourceChanged changed{now, std::nullopt};
        for (rules::SourceIndex i = 0; i < rig_.sources.size(); ++i) {
            if (rig_.sources[i].id == command.value) changed.source = i;
        }
        out.emplace_back(changed);
        return;
    }
    const bool yes = command.value == "true";
    if (command.property == stop_all_) {
        out.emplace_back(rules::StopEverything{now, yes});
        return;
    }
    for (rules::LoadIndex i = 0; i < loads_.size(); ++i) {
        if (loads_[i].learning && command.property == loads_[i].learning->forget) {
            loads_[i].forgotten = true;
            out.emplace_back(rules::OperatorRequest{now, i, rules::Request::forget});
        }
        const auto& operated = loads_[i].operated;
        if (!operated) continue;
        if (command.property == operated->demand) {
            out.emplace_back(rules::DemandChanged{now, i, yes});
        } else if (command.property == operated->hold) {
            out.emplace_back(
                rules::OperatorRequest{now, i, yes ? rules::Request::hold : rules::Request::release});
        } else if (command.property == operated->prefer) {
            const std::chrono::minutes asked(std::stoi(command.value));  // checked: a small whole number
            out.emplace_back(rules::OperatorRequest{now, i, rules::Request::prefer, now + asked});
        } else if (command.property == operated->acknowledge) {
            loads_[i].acknowledged = true;
            out.emplace_back(rules::OperatorRequest{now, i, rules::Request::acknowledge});
        }
    }
}

}  // namespace ampmarshal::adapters
