#include "adapters/switches.h"

#include <algorithm>
#include <utility>

#include "adapters/homie.h"
#include "adapters/number_at.h"

namespace ampmarshal::adapters {

namespace {

constexpr std::chrono::seconds command_expiry{2};
constexpr std::chrono::minutes setting_repeated_every{1};

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

bool send(Link& link, const SettingWiring& setting, double setting_a) {
    std::string payload = setting.payload;
    payload.replace(payload.find(SettingWiring::place), SettingWiring::place.size(),
                    number_text(setting_a * setting.scale));
    return link.publish({.topic = setting.topic,
                         .payload = payload,
                         .delivery = Delivery::command,
                         .expires_after = command_expiry});
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

bool Switches::adjust(rules::Instant now, Link& link, rules::LoadIndex load, double setting_a) {
    LoadSwitch& it = switches_[load];
    it.set_at.reset();
    if (!it.wiring || !it.wiring->setting || !send(link, *it.wiring->setting, setting_a)) return false;
    it.set_at = now;
    it.setting_a = setting_a;
    return true;
}

void Switches::refresh(rules::Instant now, Link& link) {
    if (!link.connected()) return;
    for (auto& it : switches_) {
        if (it.told_on && it.wiring->refresh && now - *it.told_on >= *it.wiring->refresh &&
            send(link, *it.wiring, true))
            it.told_on = now;
        if (it.set_at && now - *it.set_at >= setting_repeated_every &&
            send(link, *it.wiring->setting, it.setting_a))
            it.set_at = now;
    }
}

void Switches::link_down() {
    for (auto& it : switches_) {
        it.told_on.reset();
        it.set_at.reset();
    }
}

void Switches::received(rules::Instant now, const Message& message, std::vector<rules::SwitchFeedback>& out) {
    // Most messages are a meter's, and mostly it is their length that tells.
    if (std::find(topics_.begin(), topics_.end(), message.topic) == topics_.end()) return;
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
