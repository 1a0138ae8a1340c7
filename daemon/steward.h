// The Steward keeps one rig: it owns the Marshal and the adapters around it and lets data flow one way, from
// a topic to a sample, to the Marshal, to an action, to a topic. It holds no socket, reads no clock and never
// sleeps: the link and the instants are handed in. So the same object runs in the daemon over a real broker
// and in a test over a simulated one. One thread.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "adapters/link.h"
#include "adapters/meters.h"
#include "adapters/rig_device.h"
#include "adapters/switches.h"
#include "adapters/will.h"
#include "daemon/configuration.h"
#include "daemon/memory.h"
#include "rules/marshal.h"

namespace ampmarshal::daemon {

enum class Severity { info, warning };

/// Takes one line of the log, without a line end.
using Log = std::function<void(Severity, std::string_view)>;

/// Keeps what is to survive a restart. False if it could not; it is then asked again at the next occasion.
using Keep = std::function<bool(const Memory&)>;
using KeepLessons = std::function<bool(const Lessons&)>;

/// What starts have taught is kept at most so often (and at the end): a rig starts something every few
/// minutes, day and night, and what is lost in a cut of the power is taught again, while a memory card wears
/// out.
inline constexpr rules::Duration lessons_kept_every = std::chrono::minutes(5);

enum class Mode {
    command,  ///< decide, publish and switch
    observe,  ///< decide and publish, but switch nothing
};

/// What the broker publishes for us when we vanish.
adapters::Will last_will(const Configuration& configuration);

/// What one Steward leaves to the next.
struct Heritage {
    std::vector<rules::Event> events{};                        ///< what people have set
    std::shared_ptr<const rules::Marshal> before{};            ///< what runs; nothing after a restart
    std::vector<std::optional<rules::LoadIndex>> heirs{};      ///< what each of its loads has become
    std::vector<std::optional<rules::SourceIndex>> sources{};  ///< and each of its sources
    Lessons lessons{};  ///< after a restart only: `before` knows its own
};

class Steward : public adapters::Link::Listener {
  public:
    /// `link` and `log` must outlive the Steward, which listens to the link from now on. `version` must rise
    /// whenever the configuration changes; the time it was loaded, in seconds, will do.
    Steward(Configuration configuration, Mode mode, adapters::Link& link, Log log, std::int64_t version,
            rules::Instant now);
    ~Steward() override;
    Steward(const Steward&) = delete;
    Steward& operator=(const Steward&) = delete;

    /// At least every quarter of a second, and soon when there is news: commands go out at once, but what was
    /// decided is published and logged here.
    void tick(rules::Instant now);
    bool has_news() const { return !news_.empty(); }

    /// The last words: with `hold`, every controlled load is told to stop; then says goodbye.
    void stop(rules::Instant now, OnStop what);

    /// The last words before the Steward of a new configuration takes over. Loads that `next` still controls
    /// are left as they are; the others are told to stop, where that is what the end of the program does.
    /// Returns what `next` cannot tell, for its Steward to `inherit`.
    Heritage hand_over(rules::Instant now, const Configuration& next);
    /// Takes this for granted: what ran at once, and the events as soon as the link is up. Before that only.
    void inherit(Heritage heritage);

    /// `keep` is called whenever there is something new to keep, before that is shown: what is shown is kept.
    /// What starts have taught waits its time, but not when a person wants it forgotten.
    void keep_with(Keep keep, KeepLessons keep_lessons) {
        keep_ = std::move(keep);
        keep_lessons_ = std::move(keep_lessons);
    }

    const rules::Marshal& marshal() const { return *marshal_; }
    OnStop on_stop() const { return configuration_.on_stop; }

    void link_up(rules::Instant now) override;
    void link_down(rules::Instant now, std::string_view why) override;
    void received(rules::Instant now, const adapters::Message& message) override;

  private:
    void feed(const rules::Event& event);
    void command(std::span<const rules::Action> actions, rules::Instant now);
    void tell_news(rules::Instant now);
    void keep_news();
    void keep_lessons(rules::Instant now);
    void keep_lessons_at_once();
    bool worth_showing(rules::Instant now) const;
    void tell(const rules::Action& action, rules::Instant now);
    void tell_waiting(rules::Instant now);
    void tell_refusal(std::string refusal);
    void source_told(rules::Instant now, const adapters::Message& message);
    void charge_told(rules::Instant now, const adapters::Message& message);
    void source_remembered(rules::Instant now, rules::SourceIndex choice);
    void notices();
    void hold_all(rules::Instant now);
    void take_inherited(rules::Instant now);
    bool tell_to_stop(rules::Instant now, const std::vector<rules::LoadIndex>& loads);
    std::optional<rules::SourceChanged> source_in(const Configuration& next, rules::Instant now) const;

    Configuration configuration_;
    Mode mode_;
    adapters::Link& link_;
    Log log_;
    std::shared_ptr<rules::Marshal> marshal_;  ///< shared with who inherits from it, to be read once
    adapters::Meters meters_;
    adapters::Switches switches_;
    adapters::RigDevice device_;
    adapters::Snapshots snapshots_{*marshal_};
    std::vector<rules::Event> inherited_;  ///< from before a reload or a restart, until the link is up
    Keep keep_;
    std::optional<Memory> kept_;
    KeepLessons keep_lessons_;
    bool lessons_new_ = false;  ///< since they were kept last
    std::optional<rules::Instant> lessons_tried_at_;
    std::vector<rules::Action> news_;               ///< done and not told yet
    bool asked_ = false;                            ///< somebody set something, and waits for it to show
    const adapters::RigSnapshot* shown_ = nullptr;  ///< last; null until something was
    rules::Instant shown_at_{};
    rules::Instant fed_at_{};    ///< the last event for the Marshal
    bool command_lost_ = false;  ///< one could not be sent: everything is decided anew at the next tick
    struct Told {
        rules::ReasonKind reason = rules::ReasonKind::none;
        rules::Instant at{};
    };
    std::vector<Told> told_;  ///< per load: the last line in the log
    std::vector<rules::MeterSample> samples_;
    std::vector<rules::SwitchFeedback> feedbacks_;
    std::vector<rules::Event> requests_;
    std::string last_refusal_;
    bool bad_charge_told_ = false;
};

}  // namespace ampmarshal::daemon
