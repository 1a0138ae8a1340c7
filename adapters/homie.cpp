#include "adapters/homie.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>
#include <set>
#include <utility>

namespace ampmarshal::adapters::homie {
namespace {

constexpr std::size_t longest_id = 64;
constexpr std::size_t longest_alert_id = 2 * longest_id;  // room for a word and the id of what it is about
constexpr std::size_t longest_set_payload = 256;
/// How many alerts of an earlier run are removed in one go; the rest is removed at the next connection.
constexpr std::size_t most_stale_alerts = 256;
/// An empty MQTT payload deletes a retained message, so the convention writes an empty string as one zero
/// byte.
constexpr std::string_view empty_string{"\0", 1};

const char* word(Datatype datatype) {
    switch (datatype) {
        case Datatype::integer: return "integer";
        case Datatype::floating: return "float";
        case Datatype::boolean: return "boolean";
        case Datatype::string: return "string";
        case Datatype::enumeration: return "enum";
    }
    return "string";
}

/// Untrusted text as it may stand in a log line: short, and no control characters.
std::string quoted(std::string_view text) {
    constexpr std::size_t longest = 60;
    std::string shown{"'"};
    for (const char c : text.substr(0, longest))
        shown += (c >= ' ' && c <= '~') ? c : '?';
    shown += text.size() > longest ? "...'" : "'";
    return shown;
}

template <class Number>
std::optional<Number> parsed(std::string_view text) {
    Number number{};
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), number);
    if (error != std::errc{} || end != text.data() + text.size()) return std::nullopt;
    return number;
}

std::optional<double> finite_number(std::string_view text) {
    const auto number = parsed<double>(text);
    return number && std::isfinite(*number) ? number : std::nullopt;
}

/// `format` is "min:max", either end may be empty.
bool in_range(double number, std::string_view format) {
    const auto colon = format.find(':');
    if (colon == std::string_view::npos) return true;
    const auto least = finite_number(format.substr(0, colon));
    const auto most = finite_number(format.substr(colon + 1));
    return (!least || number >= *least) && (!most || number <= *most);
}

bool listed(std::string_view value, std::string_view values) {
    while (true) {
        const auto comma = values.find(',');
        if (values.substr(0, comma) == value) return true;
        if (comma == std::string_view::npos) return false;
        values.remove_prefix(comma + 1);
    }
}

constexpr std::array<std::int64_t, 4> powers_of_ten{1, 10, 100, 1000};

/// A number in units of its last digit; nothing if it has more digits than any reading.
std::optional<std::int64_t> in_steps(double value, int digits) {
    constexpr double most = 1e12;
    const auto place = static_cast<std::size_t>(digits);
    if (!(std::abs(value) < most) || place >= powers_of_ten.size()) return std::nullopt;
    return std::llround(value * static_cast<double>(powers_of_ten[place]));
}

/// Readings are published by the thousand: this is many times as fast as to write a double.
std::string written(std::int64_t steps, int digits) {
    const std::int64_t unit = powers_of_ten[static_cast<std::size_t>(digits)];
    char text[32];
    char* end = text;
    if (steps < 0) *end++ = '-';
    const std::int64_t size = std::abs(steps);
    end = std::to_chars(end, text + sizeof text, size / unit).ptr;
    if (digits > 0) *end++ = '.';
    for (std::int64_t place = unit / 10; place > 0; place /= 10)
        *end++ = static_cast<char>('0' + size / place % 10);
    return {text, end};
}

}  // namespace

std::string id_fault(std::string_view id) {
    const auto allowed = [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-'; };
    if (!id.empty() && id.size() <= longest_id && std::all_of(id.begin(), id.end(), allowed)) return {};
    return quoted(id) + " cannot be an id on MQTT: use 1 to 64 of the characters a-z, 0-9 and '-'";
}

std::string value_fault(const Property& property, std::string_view payload) {
    bool number = false;
    bool within = true;
    switch (property.datatype) {
        case Datatype::string:
            if (!payload.empty()) return {};
            return "an empty string is written as one zero byte";
        case Datatype::boolean:
            if (payload == "true" || payload == "false") return {};
            return quoted(payload) + " is not true or false";
        case Datatype::enumeration:
            if (!payload.empty() && listed(payload, property.format)) return {};
            return quoted(payload) + " is none of " + property.format;
        case Datatype::integer:
            if (const auto whole = parsed<std::int64_t>(payload)) {
                number = true;
                within = in_range(static_cast<double>(*whole), property.format);
            }
            break;
        case Datatype::floating:
            if (const auto value = finite_number(payload)) {
                number = true;
                within = in_range(*value, property.format);
            }
            break;
    }
    if (!number) return quoted(payload) + " is no " + word(property.datatype);
    return within ? std::string{} : quoted(payload) + " is outside " + property.format;
}

std::string decimal(double value, int digits) {
    if (const auto steps = in_steps(value, digits)) return written(*steps, digits);
    char text[64];
    const auto [end, error] =
        std::to_chars(text, text + sizeof text, value, std::chars_format::fixed, digits);
    return std::isfinite(value) && error == std::errc{} ? std::string(text, end) : std::string{};
}

Device::Device(Identity identity)
    : identity_(std::move(identity)), base_(identity_.domain + "/5/" + identity_.id + "/") {}

NodeIndex Device::add_node(std::string id, std::string name, std::string type) {
    nodes_.push_back({std::move(id), std::move(name), std::move(type)});
    return nodes_.size() - 1;
}

PropertyIndex Device::add_property(NodeIndex node, Property property) {
    std::string where = topic(nodes_[node].id + "/" + property.id);
    slots_.push_back({node, std::move(property), std::move(where)});
    return slots_.size() - 1;
}

std::string Device::topic(std::string_view below) const {
    return base_ + std::string(below);
}

std::string Device::state_topic() const {
    return topic("$state");
}

std::vector<std::string> Device::topics() const {
    return {topic("+/+/set"), topic("$alert/+")};
}

std::string Device::description() const {
    nlohmann::json nodes = nlohmann::json::object();
    for (const Node& node : nodes_) {
        nodes[node.id] = {{"name", node.name}, {"type", node.type}, {"properties", nlohmann::json::object()}};
    }
    for (const Slot& slot : slots_) {
        const Property& p = slot.declared;
        nlohmann::json& described = nodes[nodes_[slot.node].id]["properties"][p.id];
        described = {{"name", p.name}, {"datatype", word(p.datatype)}};
        if (!p.format.empty()) described["format"] = p.format;
        if (!p.unit.empty()) described["unit"] = p.unit;
        if (p.settable) described["settable"] = true;
        if (!p.retained) described["retained"] = false;
    }
    const nlohmann::json whole = {{"homie", "5.0"},
                                  {"version", identity_.version},
                                  {"name", identity_.name},
                                  {"nodes", std::move(nodes)}};
    // dump() throws on text that is not UTF-8 unless told to replace it.
    return whole.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

void Device::put(PropertyIndex property, std::string_view value) {
    Slot& slot = slots_[property];
    if (slot.declared.datatype == Datatype::string && value.empty()) value = empty_string;
    if (slot.declared.retained && slot.value == value) return;
    slot.steps.reset();
    const bool valid = value_fault(slot.declared, value).empty();
    set(property, valid ? std::optional(value) : std::nullopt);
    if (!slot.declared.retained) slot.owed = valid;
}

void Device::put(PropertyIndex property, double value, int digits) {
    Slot& slot = slots_[property];
    const auto steps = in_steps(value, digits);
    if (steps && slot.value && slot.steps == steps) return;
    const Property& declared = slot.declared;
    const bool any_number = declared.datatype == Datatype::floating && declared.format.empty();
    if (steps && any_number && declared.retained)
        set(property, written(*steps, digits));  // to read that back would cost more than all else
    else
        put(property, decimal(value, digits));
    slot.steps = steps;
}

void Device::clear(PropertyIndex property) {
    set(property, std::nullopt);
}

void Device::set(PropertyIndex property, std::optional<std::string_view> value) {
    if (value)
        slots_[property].value = *value;
    else
        slots_[property].value.reset();
    touch(property);
}

void Device::touch(PropertyIndex property) {
    const auto place = std::lower_bound(touched_.begin(), touched_.end(), property);
    if (place == touched_.end() || *place != property) touched_.insert(place, property);
}

void Device::raise_alert(const std::string& id, std::string message) {
    alerts_[id] = {std::move(message), true};
}

void Device::clear_alert(const std::string& id) {
    const auto alert = alerts_.find(id);
    if (alert != alerts_.end()) alert->second = {std::nullopt, true};
}

void Device::link_up(rules::Instant now, Link& link) {
    if (phase_ == Phase::stopped) return;
    phase_ = Phase::unannounced;
    flush(now, link);
}

void Device::flush(rules::Instant now, Link& link) {
    if (!link.connected() || phase_ == Phase::stopped) return;
    if (phase_ == Phase::unannounced) {
        if (announce(now, link)) phase_ = Phase::ready;
        return;
    }
    if (send_alerts(link)) send_values(now, link, true);
}

bool Device::announce(rules::Instant now, Link& link) {
    for (PropertyIndex i = 0; i < slots_.size(); ++i) {
        // An event that found no connection is over. A property without a value is owed too: that removes
        // what an earlier run left on the broker.
        slots_[i].owed = slots_[i].declared.retained;
        if (!slots_[i].declared.retained) slots_[i].value.reset();
        touch(i);
    }
    for (auto& [id, alert] : alerts_) {
        alert.owed = true;
    }
    return send_state(link, "init") &&
           link.publish({topic("$description"), description(), Delivery::state}) &&
           send_values(now, link, false) && send_alerts(link) && send_state(link, "ready");
}

void Device::leave_to(const Device& next) {
    std::set<std::string_view> stay;
    for (const Slot& slot : next.slots_)
        stay.insert(slot.topic);
    for (PropertyIndex i = 0; i < slots_.size(); ++i)
        if (!stay.contains(slots_[i].topic)) clear(i);
}

void Device::stop(rules::Instant now, Link& link) {
    if (phase_ == Phase::ready && link.connected()) {
        send_alerts(link);
        send_values(now, link, false);
        send_state(link, "disconnected");
    }
    phase_ = Phase::stopped;
}

bool Device::send_state(Link& link, std::string_view state) const {
    return link.publish({state_topic(), state, Delivery::state});
}

bool Device::due(const Slot& slot, rules::Instant now, bool wait_for_pace) {
    if (slot.owed || !wait_for_pace || !slot.value || !slot.sent || !slot.sent_at) return true;
    if (now - *slot.sent_at >= slot.declared.at_most_every) return true;
    const auto before = finite_number(*slot.sent);
    const auto after = finite_number(*slot.value);
    return before && after && std::abs(*after - *before) >= slot.declared.at_once_from;
}

bool Device::send(Slot& slot, rules::Instant now, Link& link) {
    const std::string_view payload = slot.value ? std::string_view{*slot.value} : std::string_view{};
    const Delivery delivery = slot.declared.retained ? Delivery::state : Delivery::command;
    if (!link.publish({slot.topic, payload, delivery})) return false;
    slot.owed = false;
    slot.sent_at = now;
    slot.sent = slot.value;
    if (!slot.declared.retained) slot.value.reset();
    return true;
}

bool Device::send_values(rules::Instant now, Link& link, bool wait_for_pace) {
    bool linked = true;
    std::erase_if(touched_, [&](PropertyIndex property) {
        Slot& slot = slots_[property];
        if (slot.up_to_date()) return true;
        if (!linked || !due(slot, now, wait_for_pace)) return false;
        linked = send(slot, now, link);
        return linked;
    });
    return linked;
}

bool Device::send_alerts(Link& link) {
    for (auto alert = alerts_.begin(); alert != alerts_.end();) {
        auto& [id, a] = *alert;
        const std::string text = a.message.value_or("");
        if (a.owed && !link.publish({topic("$alert/" + id), text, Delivery::state})) return false;
        a.owed = false;
        alert = a.message ? std::next(alert) : alerts_.erase(alert);
    }
    return true;
}

Incoming Device::received(const Message& message) {
    if (!message.topic.starts_with(base_)) return {};
    const std::string_view below = message.topic.substr(base_.size());
    const auto slash = below.find('/');
    if (slash == std::string_view::npos) return {};
    const std::string_view node = below.substr(0, slash);
    const std::string_view rest = below.substr(slash + 1);
    if (node == "$alert") {
        alert_heard(rest, message);
        return {};
    }
    constexpr std::string_view set = "/set";
    if (rest.size() <= set.size() || rest.substr(rest.size() - set.size()) != set) return {};
    return set_heard(node, rest.substr(0, rest.size() - set.size()), message);
}

void Device::alert_heard(std::string_view id, const Message& message) {
    const bool stale = message.retained && !message.payload.empty() && alerts_.find(id) == alerts_.end();
    if (!stale || id.size() > longest_alert_id || alerts_.size() >= most_stale_alerts) return;
    alerts_[std::string(id)] = {std::nullopt, true};
}

Incoming Device::set_heard(std::string_view node, std::string_view property, const Message& message) {
    const auto refused = [&](const std::string& why) {
        return Refused{quoted(message.topic) + " ignored: " + why};
    };
    const auto slot = std::find_if(slots_.begin(), slots_.end(), [&](const Slot& s) {
        return s.declared.id == property && nodes_[s.node].id == node;
    });
    if (slot == slots_.end()) return refused("there is no such property");
    if (!slot->declared.settable) return refused("the property cannot be set");
    if (message.retained)
        return refused("a retained command is of unknown age; publish it without the retain flag");
    if (message.payload.size() > longest_set_payload) return refused("longer than 256 bytes");
    if (const std::string fault = value_fault(slot->declared, message.payload); !fault.empty())
        return refused(fault);
    // Whoever sent it waits for the value to show, even if it is the one that was there already.
    const auto index = static_cast<PropertyIndex>(slot - slots_.begin());
    if (slot->declared.retained) {
        slot->owed = true;
        touch(index);
    }
    const bool empty = slot->declared.datatype == Datatype::string && message.payload == empty_string;
    return Command{index, empty ? std::string{} : std::string(message.payload)};
}

}  // namespace ampmarshal::adapters::homie
