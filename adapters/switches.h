// The switches of a rig's loads: turns a decision into a message to a relay, and what a relay says of itself
// into an event. A load that can be turned down has a setting beside its switch, told in the same way.
// Commands go out at once or not at all; they are never retained, and the broker drops them if it cannot
// deliver them in time, since an "on" that comes late may start a compressor at the wrong moment.
//
// A relay with a timer of its own opens when it is not told "on" again and again, so that silence means off.
// Such a switch has a refresh period, and `refresh` repeats its last "on". A setting is repeated, too: a
// charger that was without power for a moment may have forgotten it, and draw all it can. After the link was
// down nothing is repeated until it is commanded anew: what was right before may be wrong now.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "adapters/link.h"
#include "rules/event.h"

namespace ampmarshal::adapters {

struct FeedbackWiring {
    std::string topic;
    std::string pointer;  ///< JSON Pointer; empty: the payload as it comes
    std::string on;
    std::string off;
};

/// How an adjustable load is told what it may draw.
struct SettingWiring {
    static constexpr std::string_view place = "{setting}";

    std::string topic;
    std::string payload{place};  ///< holds the place of the number once
    double scale = 1;            ///< amperes times this is the number that is sent
};

struct SwitchWiring {
    std::string command_topic;
    std::string on_payload;
    std::string off_payload;
    std::optional<FeedbackWiring> feedback{};
    std::optional<rules::Duration> refresh{};
    std::optional<SettingWiring> setting{};
};

class Switches {
  public:
    /// One entry for each load of the rig, in its order; nothing for a load that is only observed.
    explicit Switches(std::vector<std::optional<SwitchWiring>> by_load);

    /// Feedback topics, each once.
    const std::vector<std::string>& topics() const { return topics_; }

    /// False if the command could not be sent; it is then forgotten.
    bool command(rules::Instant now, Link& link, rules::LoadIndex load, bool on);

    /// To draw at most so much. False as above.
    bool adjust(rules::Instant now, Link& link, rules::LoadIndex load, double setting_a);

    /// Repeats the "on" of every switch whose refresh period has passed, and every setting once a minute.
    void refresh(rules::Instant now, Link& link);

    void link_down();

    /// Appends what the message tells to `out`; messages of other topics are ignored.
    void received(rules::Instant now, const Message& message, std::vector<rules::SwitchFeedback>& out);

    /// Feedback messages that were neither the "on" nor the "off" of the load.
    std::uint64_t not_understood(rules::LoadIndex load) const { return switches_[load].not_understood; }

    /// One sentence for the first message of each load that was not understood, each handed out once.
    std::vector<std::string> take_notices();

  private:
    struct LoadSwitch {
        std::optional<SwitchWiring> wiring;
        std::optional<rules::Instant>
            told_on{};  ///< when it was last told "on"; nothing when it was told "off"
        std::optional<rules::Instant> set_at{};  ///< last told `setting_a`
        double setting_a = 0;
        std::uint64_t not_understood = 0;
    };

    std::vector<LoadSwitch> switches_;
    std::vector<std::string> topics_;  ///< sorted
    std::vector<std::string> notices_;
};

}  // namespace ampmarshal::adapters
