// The hardware of a small rig, played by a plain MQTT client that does exactly what a test tells it to: a
// meter that can fall silent, relays that can stick, two loads that draw when their relay is closed. It hears
// everything on the broker and keeps it. Unlike the virtual rig it has no physics and no time of its own.
//
// The loads are a compressor (20 A at its start, then 8 A) and a heater (10 A); lights draw 1 A
// unless told otherwise.
#pragma once

#include <functional>
#include <map>
#include <string>
#include <vector>

#include "adapters/mosquitto_link.h"

namespace ampmarshal::tests {

class ScriptedRig : private adapters::Link::Listener {
  public:
    static constexpr auto meter_topic = "rig/meter";
    static constexpr std::chrono::milliseconds meter_period{50};

    explicit ScriptedRig(int port, std::string client_id = "scripted-rig");

    /// Lives until the condition holds; false if it does not within the time.
    bool until(const std::function<bool()>& condition,
               std::chrono::seconds patience = std::chrono::seconds(30));

    bool publish(const std::string& topic, const std::string& payload,
                 adapters::Delivery delivery = adapters::Delivery::event);
    bool connected() const { return link_.connected(); }

    struct Relay {
        bool closed = false;
        bool stuck = false;  ///< does not move any more, whatever it is told
        double start_a;
        double running_a;
        bool starting = false;
    };
    bool metering = false;
    double lights_a = 1;
    bool answering = true;  ///< the relays tell what they do, retained
    std::map<std::string, Relay> relays{{"compressor", {.start_a = 20, .running_a = 8}},
                                        {"heater", {.start_a = 10, .running_a = 10}}};

    struct Command {
        std::string load;
        bool on;
        friend bool operator==(const Command&, const Command&) = default;
    };
    std::vector<Command> commands;  ///< all that the relays were ever told, in order
    std::size_t told(const std::string& load, bool on) const;
    bool on(const std::string& load) const { return relays.at(load).closed; }

    /// The last payload on a topic; empty if there was none, or it was removed.
    std::string last(const std::string& topic) const;
    /// Every payload ever heard on a topic, in order.
    std::vector<std::string> all(const std::string& topic) const;
    /// What the broker had kept before we came.
    std::map<std::string, std::string> found;

  private:
    void link_up(rules::Instant) override {}
    void link_down(rules::Instant, std::string_view) override {}
    void received(rules::Instant now, const adapters::Message& message) override;
    void obey(const std::string& load, const std::string& command);
    void read_meter();

    adapters::MosquittoLink link_;
    rules::Instant next_reading_{};
    std::map<std::string, std::vector<std::string>> heard_;
};

}  // namespace ampmarshal::tests
