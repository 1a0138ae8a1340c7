// A virtual rig on a bench: a link that only records, and small plans to start from.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "adapters/virtual_rig/virtual_rig.h"

namespace ampmarshal::virtual_rig::bench {

inline constexpr Instant beginning{1000s};

class RecordingLink final : public adapters::Link {
  public:
    struct Sent {
        std::string topic;
        std::string payload;
        adapters::Delivery delivery;
        bool operator==(const Sent&) const = default;
    };

    void listen(Listener* l) override { listener = l; }
    void subscribe(std::string_view filter) override { filters.emplace_back(filter); }
    bool connected() const override { return up; }
    bool publish(const adapters::Publication& p) override {
        if (up) sent.push_back({std::string(p.topic), std::string(p.payload), p.delivery});
        return up;
    }
    /// The last payload on a topic, or "" if there was none.
    std::string last(std::string_view topic) const {
        for (auto it = sent.rbegin(); it != sent.rend(); ++it) {
            if (it->topic == topic) return it->payload;
        }
        return {};
    }
    std::vector<std::string> all(std::string_view topic) const {
        std::vector<std::string> payloads;
        for (const auto& s : sent) {
            if (s.topic == topic) payloads.push_back(s.payload);
        }
        return payloads;
    }

    bool up = true;
    Listener* listener = nullptr;
    std::vector<std::string> filters;
    std::vector<Sent> sent;
};

/// A number after its key in a meter's JSON payload.
inline double field(const std::string& json, const std::string& key) {
    return std::stod(json.substr(json.find("\"" + key + "\":") + key.size() + 3));
}

/// The rig with its link, its story written down, and a hand on its relays.
struct Bench {
    explicit Bench(RigPlan plan, std::uint64_t seed = 1) : rig(std::move(plan), seed, link, beginning) {
        rig.on_story([this](const StoryEvent& e) {
            story.push_back(
                {e.at - beginning, e.what, std::string(e.subject), std::string(e.part), e.current_a});
        });
    }
    void run_to(Duration offset) { rig.advance(beginning + offset); }
    void command(Duration at, const std::string& load, std::string_view payload) {
        run_to(at);
        const std::string topic = "rig/bench/relay/" + load + "/set";
        rig.received(beginning + at, {topic, payload, false});
    }
    void setting(Duration at, const std::string& load, std::string_view payload) {
        run_to(at);
        const std::string topic = "rig/bench/setting/" + load + "/set";
        rig.received(beginning + at, {topic, payload, false});
    }

    struct Told {
        Duration at;
        Happening what;
        std::string subject;
        std::string part;
        double current_a;
    };
    /// When something first happened to a part of a load.
    std::optional<Duration> when(Happening what, std::string_view part = "", Duration after = 0s) const {
        for (const auto& t : story) {
            if (t.what == what && t.part == part && t.at >= after) return t.at;
        }
        return std::nullopt;
    }

    RecordingLink link;
    std::vector<Told> story;
    VirtualRig rig;
};

/// Noise-free meters and a stiff supply that never trips, so that tests see one thing at a time.
inline RigPlan quiet_plan(std::vector<LoadPlan> loads) {
    RigPlan plan;
    plan.name = "bench";
    plan.loads = std::move(loads);
    plan.sources = {
        {.name = "strong", .kind = BreakerPlan{.rating_a = 1000}, .no_load_v = 120, .impedance_ohm = 0}};
    plan.meter.noise_a = 0;
    plan.meter.noise_v = 0;
    return plan;
}

inline AirConditionerPlan small_unit() {
    return {.fan = {.running_a = 2, .start_a = 5},
            .compressor = {.running_a = 10, .start_a = 45},
            .fan_to_compressor = 5s,
            .room = {.start_c = 30, .surroundings_c = 38, .capacity_j_per_k = 100e3, .loss_w_per_k = 100},
            .thermostat = {.set_c = 24}};
}

inline LoadPlan unit(const AirConditionerPlan& plan, Control control = Control::permitted) {
    return {.name = "ac", .control = control, .relay = RelayPlan{}, .kind = plan};
}

inline LoadPlan appliance(double running_a, std::vector<AppliancePlan::Use> uses) {
    return {.name = "kettle", .kind = AppliancePlan{.running_a = running_a, .uses = std::move(uses)}};
}

}  // namespace ampmarshal::virtual_rig::bench
