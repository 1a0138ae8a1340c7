// Watches a run and says when a rule is broken. It knows the virtual rig's physics, the messages as they are
// sent, and what the program shows of itself; of rules/ it uses no decision and no arithmetic.
//
// Some faults make a trip physically unavoidable: a load that runs cannot be stopped while the broker is
// gone. For these, and only while they last and for as long as they must be allowed to act, the rule is the
// bound instead: as soon as a reading that arrived showed the danger, a load was told to stop within one
// further sample. Which fault excuses what, for how long, and why, stands beside each excuse in judge.cpp.
#pragma once

#include <deque>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "tests/simulation/case.h"

namespace ampmarshal::tests {

struct Broken {
    rules::Instant at;
    std::string rule;
    std::string what;
};

/// What runs came to, beside broken rules.
struct Figures {
    int trips_excused = 0;
    int healthy_operations = 0;  ///< in runs without a fault
    double healthy_load_hours = 0;

    Figures& operator+=(const Figures& other);
};

class Judge {
  public:
    /// All three must outlive the judge.
    Judge(const Case& c, const daemon::Configuration& configuration, SimulatedRig& rig);

    void happened(const virtual_rig::StoryEvent& event);
    void sent(const SimulatedBroker::InTransit& message, std::size_t copies);
    void changed(const Mischief::Change& change);
    /// Every ten seconds: what lasts, and what the program says of it.
    void look();
    void finish();

    const std::optional<Broken>& broken() const { return broken_; }
    const Figures& figures() const { return figures_; }

  private:
    /// A load with a relay, as the wire and the physics show it.
    struct Seen {
        const virtual_rig::LoadPlan* plan = nullptr;
        rules::LoadIndex index = 0;
        bool told_on = false;
        rules::Instant told_on_at{};
        bool contact = false;
        bool draws = false;
        bool relay_fails = false;
        int stops_lost = 0;  ///< told to stop so often in a row, and none of it has arrived
        std::optional<rules::Instant> sticks_until{};
        std::optional<rules::Instant> ran_unseen_until{};  ///< nothing could tell that it did
        std::optional<rules::Instant> contact_closed_at{};
        std::optional<rules::Instant> compressor_stopped_at{};
        std::optional<rules::Instant> starving_since{};
        std::optional<rules::Instant> wrong_reason_since{};
        std::optional<rules::Instant> locked_out_at{};
        std::string last_command{};
        std::deque<rules::Instant> same_commands{};
    };
    /// A limit of a source with the touchiest breaker or engine its plate allows, fed by the readings that
    /// arrive: when these show a danger, a shed is due.
    struct Danger {
        std::size_t source;
        rules::LegSet legs;
        virtual_rig::TripElement touchiest;
        std::optional<rules::Instant> fed_at{};
        std::optional<rules::Instant> shown_at{};
        std::optional<rules::Instant> answered_at{};
    };
    struct Excuse {
        std::string why;
        rules::LegSet legs;
        rules::Instant until;
    };
    struct Start {
        std::string load;
        std::string part;
        rules::LegSet legs;
        rules::Instant over_at;  ///< a healthy start has settled by then
    };

    void break_rule(const char* rule, std::string what);
    void excuse(const char* why, rules::LegSet legs, rules::Instant until);
    void end_excuse(const char* why, rules::LegSet legs, rules::Duration later);
    std::optional<std::string> excused(rules::Instant at, rules::LegSet legs) const;
    void tripped(const virtual_rig::StoryEvent& event, const char* rule);
    void command_sent(Seen& load, const SimulatedBroker::InTransit& message, std::size_t copies);
    void reading_sent(rules::Leg leg, const SimulatedBroker::InTransit& message);
    bool something_left(rules::LegSet legs) const;
    bool misled() const;
    bool bound_kept(rules::LegSet legs) const;
    void relay_changed(const Mischief::Change& change);
    void sticks_while_off(Seen& load);
    void excuse_stuck(const Seen& load);
    void look_at(Seen& load, const virtual_rig::LoadTruth& truth);
    void be_the_person();
    void short_cycled(Seen& load);
    bool surely_fits(const Seen& load) const;
    bool says_it_waits(const Seen& load) const;
    bool has_returned(const Seen& load) const;
    Seen* seen(std::string_view name);

    const Case& case_;
    const daemon::Configuration& configuration_;
    SimulatedRig& rig_;
    rules::Duration reaction_;  ///< from an overload to the effect of a shed
    rules::Duration settles_;   ///< until a load that does not obey is known for that, and the next has gone
    std::vector<Seen> loads_;
    std::vector<int> ranks_;  ///< of the plan's loads; 0: nobody controls it
    std::map<std::string, std::size_t, std::less<>> by_set_topic_;
    std::vector<Danger> dangers_;
    rules::PerLeg<double> read_a_{};
    std::size_t source_ = 0;
    std::vector<Excuse> excuses_;
    std::vector<Start> starts_;
    std::optional<rules::Instant> supply_lost_at_;
    std::optional<rules::Instant> supply_back_at_;
    bool loss_told_ = false;  ///< a reading of a leg arrived that was taken while the supply was away
    bool powered_ = true;
    std::map<std::string, rules::Instant, std::less<>> open_breakers_;  ///< by source: since when
    std::optional<rules::Instant> source_unknown_since_;
    bool source_word_lost_ = false;                ///< the rig's last word of where it is plugged in
    std::optional<rules::Instant> last_fault_at_;  ///< one began or ended
    int faults_now_ = 0;
    double extra_ohm_ = 0;    ///< of a long cord
    bool cord_gone_ = false;  ///< and nothing has told so yet
    bool meters_swapped_ = false;
    int operations_ = 0;
    std::optional<Broken> broken_;
    Figures figures_;
};

}  // namespace ampmarshal::tests
