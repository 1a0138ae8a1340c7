// One device on MQTT by the Homie convention, version 5: it describes itself, so that any rule controller
// that speaks the convention finds its nodes and properties without configuration. This file knows the
// convention and nothing of rigs; rig_device.h fills it with a rig.
//
// The owner declares nodes and properties once, puts values whenever it has them, and calls flush() often;
// the device decides what is due and keeps what it could not send. Everything is sent through the Link that
// is handed in. One thread; untrusted input (the set topics) is bounded and checked here.
#pragma once

#include <cstddef>
#include <cstdint>
#include <limits>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "adapters/link.h"
#include "rules/time.h"

namespace ampmarshal::adapters::homie {

enum class Datatype { integer, floating, boolean, string, enumeration };

struct Property {
    std::string id;
    std::string name;
    Datatype datatype;
    /// As the convention writes it. enumeration: the values, with commas between (required). boolean: two
    /// labels, the false one first. integer and floating: "min:max", either end may be empty. Empty: no
    /// format.
    std::string format{};
    std::string unit{};
    bool settable = false;
    /// A property that is not retained is an event: each value is sent once and then forgotten.
    bool retained = true;
    /// A value that keeps changing is published at most this often; the last one always gets out.
    rules::Duration at_most_every{};
    /// A number that has moved this far since it was last published does not wait.
    double at_once_from = std::numeric_limits<double>::infinity();
};

/// Position in the order of declaration.
using NodeIndex = std::size_t;
using PropertyIndex = std::size_t;

struct Identity {
    std::string domain;  ///< the first topic level, "homie" unless a network has several
    std::string id;
    std::string name;
    /// Of the description; must rise whenever it changes. The time the configuration was loaded, in seconds,
    /// will do.
    std::int64_t version;
};

/// A valid value for a settable property; the owner acts on it.
struct Command {
    PropertyIndex property;
    std::string value;
};

/// A set message that was ignored, with one line for the log.
struct Refused {
    std::string why;
};

/// monostate: no business of the owner's.
using Incoming = std::variant<std::monostate, Command, Refused>;

/// Why `id` cannot be an id (or the domain) in the convention and what would be right; empty if it can.
std::string id_fault(std::string_view id);

/// Why `payload` is no value of the property; empty if it is one.
std::string value_fault(const Property& property, std::string_view payload);

/// With '.' whatever the locale, and no exponent; "" (which is no valid value) if it is not finite.
std::string decimal(double value, int digits);

class Device {
  public:
    /// Domain and id must be free of faults (id_fault), as must those of nodes and properties.
    explicit Device(Identity identity);

    /// Declarations come before the first link_up(): a description is fixed while the device is ready.
    NodeIndex add_node(std::string id, std::string name, std::string type);
    PropertyIndex add_property(NodeIndex node, Property property);

    std::string description() const;

    /// The link's last will is will_payload on this topic, retained.
    std::string state_topic() const;
    static constexpr std::string_view will_payload = "lost";

    /// Topic filters to subscribe to: the set topics, and the device's own alerts, to remove those that an
    /// earlier run left on the broker.
    std::vector<std::string> topics() const;

    /// A value that is not valid for the property counts as no value: publishing none is better than a wrong
    /// one.
    void put(PropertyIndex property, std::string_view value);
    /// Rounded to so many digits behind the point, for one property always the same.
    void put(PropertyIndex property, double value, int digits);
    /// Nothing is known any more; the broker forgets the last value.
    void clear(PropertyIndex property);

    /// A message for a person, until it is cleared. Alerts need no declaration.
    void raise_alert(const std::string& id, std::string message);
    void clear_alert(const std::string& id);

    /// Call at every connection: everything is published anew, in the convention's order.
    void link_up(rules::Instant now, Link& link);
    /// Publishes what is due.
    void flush(rules::Instant now, Link& link);
    /// `next` will take over: with stop() the broker forgets the values that it will not publish again.
    void leave_to(const Device& next);
    /// The last words before a clean disconnection; nothing is published after them.
    void stop(rules::Instant now, Link& link);

    Incoming received(const Message& message);

    const Property& property(PropertyIndex property) const { return slots_[property].declared; }

  private:
    struct Node {
        std::string id;
        std::string name;
        std::string type;
    };
    struct Slot {
        NodeIndex node;
        Property declared;
        std::string topic;
        std::optional<std::string> value{};
        std::optional<std::int64_t>
            steps{};  ///< the value in units of its last digit, if it was put as a number
        std::optional<std::string> sent{};
        std::optional<rules::Instant> sent_at{};
        bool owed = false;  ///< to be published even if nothing has changed

        bool up_to_date() const { return !owed && (!declared.retained || value == sent); }
    };
    struct Alert {
        std::optional<std::string> message;  ///< nothing: to be removed from the broker
        bool owed;
    };
    enum class Phase { unannounced, ready, stopped };

    std::string topic(std::string_view below) const;
    void set(PropertyIndex property, std::optional<std::string_view> value);
    void touch(PropertyIndex property);
    bool announce(rules::Instant now, Link& link);
    bool send_values(rules::Instant now, Link& link, bool wait_for_pace);
    bool send_alerts(Link& link);
    bool send_state(Link& link, std::string_view state) const;
    static bool due(const Slot& slot, rules::Instant now, bool wait_for_pace);
    static bool send(Slot& slot, rules::Instant now, Link& link);
    void alert_heard(std::string_view id, const Message& message);
    Incoming set_heard(std::string_view node, std::string_view property, const Message& message);

    Identity identity_;
    std::string base_;  ///< of all topics
    std::vector<Node> nodes_;
    std::vector<Slot> slots_;
    std::vector<PropertyIndex> touched_;  ///< all others are up to date; in order
    std::map<std::string, Alert, std::less<>> alerts_;
    Phase phase_ = Phase::unannounced;
};

}  // namespace ampmarshal::adapters::homie
