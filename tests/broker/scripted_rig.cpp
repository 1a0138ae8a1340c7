#include "tests/broker/scripted_rig.h"

#include <poll.h>

#include <algorithm>
#include <chrono>
#include <cstdio>

namespace ampmarshal::tests {

using rules::Instant;

namespace {

const std::string relay_base = "rig/relay/";

Instant real_time() {
    return Instant(
        std::chrono::duration_cast<rules::Duration>(std::chrono::steady_clock::now().time_since_epoch()));
}

}  // namespace

ScriptedRig::ScriptedRig(int port, std::string client_id)
    : link_({.host = "127.0.0.1", .port = port, .client_id = std::move(client_id)}) {
    link_.listen(this);
    link_.subscribe("#");
}

bool ScriptedRig::until(const std::function<bool()>& condition, std::chrono::seconds patience) {
    const Instant end = real_time() + patience;
    while (!condition()) {
        if (real_time() > end) return false;
        const auto events = static_cast<short>(link_.wants_write() ? POLLIN | POLLOUT : POLLIN);
        pollfd socket{link_.fd().value_or(-1), events, 0};
        poll(&socket, 1, 5);
        const auto got = static_cast<unsigned>(socket.revents);
        link_.service(real_time(), (got & (POLLIN | POLLERR | POLLHUP)) != 0, (got & POLLOUT) != 0);
        if (metering && real_time() >= next_reading_) read_meter();
    }
    return true;
}

bool ScriptedRig::publish(const std::string& topic, const std::string& payload, adapters::Delivery delivery) {
    return link_.publish({topic, payload, delivery});
}

std::size_t ScriptedRig::told(const std::string& load, bool on) const {
    return static_cast<std::size_t>(std::count(commands.begin(), commands.end(), Command{load, on}));
}

std::string ScriptedRig::last(const std::string& topic) const {
    const auto it = heard_.find(topic);
    return it == heard_.end() ? "" : it->second.back();
}

std::vector<std::string> ScriptedRig::all(const std::string& topic) const {
    const auto it = heard_.find(topic);
    return it == heard_.end() ? std::vector<std::string>{} : it->second;
}

void ScriptedRig::received(Instant, const adapters::Message& message) {
    const std::string topic(message.topic);
    const std::string payload(message.payload);
    heard_[topic].push_back(payload);
    if (message.retained) {
        found[topic] = payload;
        return;
    }
    const std::string set = "/set";
    if (topic.starts_with(relay_base) && topic.ends_with(set))
        obey(topic.substr(relay_base.size(), topic.size() - relay_base.size() - set.size()), payload);
}

void ScriptedRig::obey(const std::string& load, const std::string& command) {
    const bool on = command == "ON";
    commands.push_back({load, on});
    Relay& relay = relays.at(load);
    if (!relay.stuck) {
        relay.starting = on && !relay.closed;
        relay.closed = on;
    }
    if (answering)
        publish(relay_base + load + "/state", relay.closed ? "ON" : "OFF", adapters::Delivery::state);
}

void ScriptedRig::read_meter() {
    next_reading_ = real_time() + meter_period;
    double current_a = lights_a;
    double peak_a = lights_a;
    for (auto& [name, relay] : relays) {
        current_a += relay.closed ? relay.running_a : 0;
        peak_a += relay.closed ? (relay.starting ? relay.start_a : relay.running_a) : 0;
        relay.starting = false;
    }
    char text[96];
    std::snprintf(text, sizeof text, R"({"current":%.1f,"voltage":119.5,"peak":%.1f})", current_a, peak_a);
    publish(meter_topic, text);
}

}  // namespace ampmarshal::tests
