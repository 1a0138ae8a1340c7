#include "adapters/switches.h"

#include <algorithm>
#include <utility>

#include "adapters/homie.h"
#include "adapters/number_at.h"

namespace ampmarshal::adapters {

namespace {

constexpr std::chrono::seconds command_expiry{2};

bool send(Link& link, const SwitchWiring& wiring, bool on) {
    return link.publish({.topic = wiring.command_topic,
                         .payload = on ? wiring.on_payload : wiring.off_payload,
                         .delivery = Delivery::command,
                         .expires_after = command_expiry});
}

/// As short as it can be: a device that wants whole numbers gets them where the steps are whole.
std::string number_text(double value) {
    std::string text = homie::decimal(value, 3);
    text.erase(text.find_last_not_of('0') + 1);
    if (text.ends_with('.')) text.pop_back();
    return text;
}

}  // namespace

Switches::Switches(std::vector<std::optional<SwitchWiring>> by_load) {
    switches_.reserve(by_load.size());
    for (auto& wiring : by_load) {
        if (wiring && wiring->feedback) topics_.push_back(wiring->feedback->topic);
        switches_.push_back({.wiring = std::move(wiring)});
    }
    std::sort(topics_.begin(), topics_.end());
    topics_.erase(std::unique(topics_.begin(), topics_.end()), topics_.end());
}

bool Switches::command(rules::Instant now, Link& link, rules::LoadIndex load, bool on) {
    LoadSwitch& it = switches_[load];
    it.told_on.reset();
    if (!it.wiring || !send(link, *it.wiring, on)) return false;
    if (on) it.told_on = now;
    return true;
}

bool Switches::adjust(Link& link, rules::LoadIndex load, double setting_a) const {
    const auto& wiring = switches_[load].wiring;
    if (!wiring || !wiring->setting) return false;
    std::string payload = wiring->setting->payload;
    payload.replace(payload.find(SettingWiring::place), SettingWiring::place.size(),
                    number_text(setting_a * wiring->setting->scale));
    return link.publish({.topic = wiring->setting->topic,
                         .payload = payload,
                         .delivery = Delivery::command,
                         .expires_after = command_expiry});
}

void Switches::refresh(rules::Instant now, Link& link) {
    if (!link.connected()) return;
    for (auto& it : switches_) {
        if (!it.told_on || !it.wiring->refresh || now - *it.told_on < *it.wiring->refresh) continue;
        if (send(link, *it.wiring, true)) it.told_on = now;
    }
}

void Switches::link_down() {
    for (auto& it : switches_)
        it.told_on.reset();
}

void Switches::received(rules::Instant now, const Message& message, std::vector<rules::SwitchFeedback>& out) {
    // Most messages are a meter's.
    if (!std::binary_search(topics_.begin(), topics_.end(), message.topic)) return;
    std::optional<Payload> payload;
    for (rules::LoadIndex load = 0; load < switches_.size(); ++load) {
        LoadSwitch& it = switches_[load];
        if (!it.wiring || !it.wiring->feedback || it.wiring->feedback->topic != message.topic) continue;
        const FeedbackWiring& feedback = *it.wiring->feedback;
        if (!payload) payload.emplace(message.payload);
        const auto said = payload->text(feedback.pointer);
        if (said == feedback.on || said == feedback.off) {
            out.push_back(
                {.at = now, .load = load, .on = said == feedback.on, .age_known = !message.retained});
        } else if (it.not_understood++ == 0) {
            notices_.push_back(
                "The switch feedback on " + feedback.topic + " is neither \"" + feedback.on + "\" nor \"" +
                feedback.off + "\"" + (feedback.pointer.empty() ? "" : " at " + feedback.pointer) +
                "; such messages are ignored. Compare the \"feedback\" of the load with what it sends.");
        }
    }
}

std::vector<std::string> Switches::take_notices() {
    return std::exchange(notices_, {});
}

}  // namespace ampmarshal::adapters
