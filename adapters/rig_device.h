// The rig on MQTT, by the Homie convention: one device, with a node for the source, one for what concerns the
// whole rig and one for each load, and an alert for each thing a person should know now. It shows what the
// rules have decided and turns what people and rule controllers set into events for the rules; it decides
// nothing. docs/topics.md is the contract it keeps.
//
// The description depends on the configuration only, never on where the rig is plugged in: by the convention
// it is fixed while the device is ready. That is why headrooms are given per leg of the rig and not per limit
// of a source.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "adapters/homie.h"
#include "adapters/link.h"
#include "rules/marshal.h"

namespace ampmarshal::adapters {

/// Readings and countdowns change with every sample; nobody can read them more often than once a second. What
/// counts is a jump, such as a start, and that does not wait.
inline constexpr rules::Duration reading_every = std::chrono::seconds(1);
inline constexpr double jump_a = 5.0;
inline constexpr double jump_v = 5.0;

/// A load may be preferred for a day and no longer: who forgets it has not turned the ranks round for good.
inline constexpr std::chrono::minutes longest_preference{1440};

/// What is shown of a rig at one moment. A plain copy, so that the device can be tested without the rules.
struct RigSnapshot {
    struct OnLeg {
        std::optional<double> current_a;  ///< nothing while the meter is silent
        std::optional<double> voltage_v;
        double steady_headroom_a;  ///< the smallest over all limits that touch the leg; 0 if there is none
        double start_headroom_a;
    };
    struct OfLoad {
        rules::LoadState state;
        bool wanted;
        bool held;
        double drawn_a;
        rules::ReasonKind reason;
        std::string sentence;
        std::optional<double> setting_a{};               ///< of an adjustable load
        std::optional<rules::Duration> preferred_for{};  ///< for so long it still goes before all ranks
        std::uint64_t starts_seen = 0;                   ///< of the stage that starts highest, to learn from
        std::optional<double> usual_start_a{};           ///< of those that the meter saw whole

        friend bool operator==(const OfLoad&, const OfLoad&) = default;
    };

    std::optional<rules::SourceIndex> source;
    bool stopped;  ///< a person has stopped everything
    rules::PerLeg<OnLeg> legs;
    double steady_headroom_a;  ///< the smallest over all limits; 0 while the source is not known
    double start_headroom_a;
    std::optional<rules::Duration> time_to_trip;  ///< of the limit that trips first; nothing if none does
    std::vector<OfLoad> loads;
};

RigSnapshot snapshot(const rules::Marshal& marshal, rules::Instant now);

/// Takes one snapshot after the other of the same Marshal, which must outlive it. Sentences take long to
/// write: one is written anew when its load has changed, or from time to time while it counts down.
class Snapshots {
  public:
    explicit Snapshots(const rules::Marshal& marshal);

    /// `since`: all that the Marshal has done since the one before.
    const RigSnapshot& take(std::span<const rules::Action> since, rules::Instant now);

  private:
    const rules::Marshal& marshal_;
    std::vector<std::size_t> highest_starts_;  ///< per load: the stage with the highest start
    RigSnapshot shown_{};
    std::optional<rules::Instant> counted_down_at_;
};

/// What a person reads of an alert, on the phone as in the log.
std::string alert_sentence(const rules::AlertRaised& alert, const rules::Rig& rig,
                           std::optional<rules::SourceIndex> source, rules::Instant now);

/// Ids in a configuration become topics. Why this one cannot, and what would be right; empty if it can.
std::string load_id_fault(std::string_view id);
std::string source_id_fault(std::string_view id);

class RigDevice {
  public:
    /// The rig must outlive the device, and its ids must be free of faults.
    RigDevice(homie::Identity identity, const rules::Rig& rig);

    std::vector<std::string> topics() const { return device_.topics(); }
    std::string will_topic() const { return device_.state_topic(); }
    static constexpr std::string_view will_payload = homie::Device::will_payload;

    void link_up(const RigSnapshot& snapshot, rules::Instant now, Link& link);
    /// After the rules have acted: alerts, and whatever has changed with them.
    void apply(std::span<const rules::Action> actions, const RigSnapshot& snapshot, rules::Instant now,
               Link& link);
    /// On every tick: what has changed, and what had to wait.
    void refresh(const RigSnapshot& snapshot, rules::Instant now, Link& link);
    /// The device of a new configuration will take over: what it does not have is removed with stop().
    void leave_to(const RigDevice& next) { device_.leave_to(next.device_); }
    void stop(rules::Instant now, Link& link) { device_.stop(now, link); }

    /// Appends what the message asks for. Returns a line for the log if it asks for something that cannot be
    /// done, and an empty string otherwise; messages that are not for this device are nobody's mistake.
    std::string received(rules::Instant now, const Message& message, std::vector<rules::Event>& out);
    std::uint64_t ignored() const { return ignored_; }

  private:
    struct SourceNode {
        homie::PropertyIndex present, steady_headroom, start_headroom, time_to_trip;
    };
    struct LegProperties {
        homie::PropertyIndex metered, current, voltage;
        /// Only on a rig with two legs; on one leg they would repeat those of the whole source.
        std::optional<homie::PropertyIndex> steady_headroom, start_headroom;
    };
    struct Operated {
        homie::PropertyIndex demand, hold, prefer, locked_out, acknowledge;
    };
    struct Learning {
        homie::PropertyIndex starts_seen, usual_start, forget;
    };
    struct LoadNode {
        homie::PropertyIndex state, reason, sentence, current;
        std::optional<Operated> operated;  ///< nothing for a load that can only be observed
        std::optional<homie::PropertyIndex> setting{};
        std::optional<Learning> learning{};        ///< nothing for an adjustable load: it teaches nothing
        bool acknowledged = false;                 ///< asked for, and not in effect yet
        bool forgotten = false;                    ///< asked for, and not told yet
        std::optional<RigSnapshot::OfLoad> put{};  ///< what was put last: mostly it is still the same
    };

    void declare_source();
    void declare_rig();
    Operated declare_operated(homie::NodeIndex node);
    Learning declare_learning(homie::NodeIndex node);
    LegProperties declare_leg(homie::NodeIndex node, rules::Leg leg);
    void declare_load(const rules::Load& load);
    void put(const RigSnapshot& snapshot);
    void put_leg(const LegProperties& properties, const RigSnapshot::OnLeg& leg);
    void put_load(LoadNode& node, const RigSnapshot::OfLoad& load);
    void put_learning(LoadNode& node, const RigSnapshot::OfLoad& load);
    void note(const rules::Action& action, std::optional<rules::SourceIndex> source, rules::Instant now);
    void ask(const homie::Command& command, rules::Instant now, std::vector<rules::Event>& out);

    const rules::Rig& rig_;
    homie::Device device_;
    SourceNode source_{};
    homie::PropertyIndex stop_all_{};
    rules::PerLeg<std::optional<LegProperties>> legs_;
    std::vector<LoadNode> loads_;
    std::uint64_t ignored_ = 0;
};

}  // namespace ampmarshal::adapters
