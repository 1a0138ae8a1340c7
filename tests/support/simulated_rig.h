// The whole program except sockets, signals and disk, in simulated time: a Steward with its configuration, a
// broker in memory, and the virtual rig as the hardware. No clock, no sleeping; the same plan and seed repeat
// a run exactly. Scenarios tell a story with it, the simulation runs thousands of days through it.
#pragma once

#include <cstdio>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "adapters/virtual_rig/virtual_rig.h"
#include "daemon/steward.h"
#include "tests/support/simulated_broker.h"

namespace ampmarshal::tests {

/// How a careful owner would configure the rig of this plan: every load with a relay is controlled, in the
/// order of the plan, with the plan's own figures; appliances are observed; base loads are not mentioned.
daemon::Configuration configuration_of(const virtual_rig::RigPlan& plan);

class SimulatedRig {
  public:
    SimulatedRig(const virtual_rig::RigPlan& plan, std::uint64_t seed);
    SimulatedRig(virtual_rig::RigPlan plan, daemon::Configuration configuration, std::uint64_t seed);

    void run_for(rules::Duration time);
    /// Runs until `true_now` holds, for at most so long. False if it never did.
    bool run_until(const std::function<bool()>& true_now, rules::Duration at_most);

    /// The daemon dies as by kill -9, and later comes back without a memory.
    void kill_daemon();
    void start_daemon();
    bool daemon_lives() const { return steward_ != nullptr; }
    /// The wall clock jumps. Only a daemon that starts looks at it.
    void jump_wall_clock(rules::Duration by) { wall_ahead_ += by; }

    /// A person or a rule controller: sends to homie/5/<rig>/<node>/<property>/set.
    void set(const std::string& node, const std::string& property, const std::string& value);
    /// What is published there now.
    std::string shown(const std::string& node, const std::string& property) const;
    bool alert(const std::string& id) const;

    const rules::Marshal& marshal() const { return steward_->marshal(); }
    std::string state(const std::string& load) const;
    rules::LoadIndex index(const std::string& load) const;
    const virtual_rig::LoadTruth& truth_of(const std::string& load);
    virtual_rig::Truth truth() const { return rig_.truth(); }

    virtual_rig::VirtualRig& rig() { return rig_; }
    SimulatedBroker& broker() { return broker_; }
    SimulatedBroker::Client& daemon_link() { return *daemon_link_; }
    SimulatedBroker::Client& rig_link() { return *rig_link_; }
    rules::Instant now() const { return now_; }

    /// The daemon's log, each line with the rig second it was written.
    const std::vector<std::string>& log() const { return log_; }
    bool logged(const std::string& part) const;
    /// Write the log and the rig's own story as they happen. The file must outlive the rig.
    void trace(std::FILE* to) { trace_ = to; }
    /// Hears of everything that happens in the rig, beside the trace.
    void on_story(std::function<void(const virtual_rig::StoryEvent&)> story) { story_ = std::move(story); }

  private:
    void note(const char* who, std::string_view text);
    void write_down(const virtual_rig::StoryEvent& event) const;
    void step(rules::Instant end);

    daemon::Configuration configuration_;
    SimulatedBroker broker_;
    std::unique_ptr<SimulatedBroker::Client> rig_link_;
    std::unique_ptr<SimulatedBroker::Client> person_;
    virtual_rig::VirtualRig rig_;
    std::unique_ptr<SimulatedBroker::Client> daemon_link_;
    std::unique_ptr<daemon::Steward> steward_;
    rules::Instant now_{};
    rules::Instant next_tick_{};
    virtual_rig::Truth last_truth_;
    std::vector<std::string> log_;
    std::FILE* trace_ = nullptr;
    std::function<void(const virtual_rig::StoryEvent&)> story_;
    rules::Duration wall_ahead_{};
};

}  // namespace ampmarshal::tests
