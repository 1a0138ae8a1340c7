// A load as the configuration describes it: where it sits, how important it is, how its start looks on a
// meter, and how it can be told to run.
#pragma once

#include <algorithm>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "rules/legs.h"
#include "rules/time.h"

namespace ampmarshal::rules {

enum class Control {
    switched,   ///< commanded on and off; it starts when it is switched on
    permitted,  ///< a contact allows it; it starts by itself when its own thermostat wants, and cycles
    observed,   ///< cannot be controlled, only seen: it may start at any time
};

/// One step of a start: an air conditioner has two, its fan and, seconds to minutes later, its compressor.
struct Stage {
    std::string name;
    double start_a;         ///< highest current the stage adds while it starts; >= running_a
    Duration start_window;  ///< the longest a healthy start lasts
    double running_a;       ///< current the stage adds once it has settled
    Duration latest_after;  ///< latest delay after the stage before (or, for the first one, after being
                            ///< switched on)

    friend bool operator==(const Stage&, const Stage&) = default;
};

/// A load (a charger, most of all) that is switched, and can be turned down while it runs.
struct Adjustment {
    double least_a;  ///< the lowest setting at which it still runs; > 0, below its running current
    double step_a;   ///< from one setting to the next; > 0
    Duration every;  ///< it is turned up by one step at most so often; turned down it is at once
};

/// A meter that watches one load and nothing else, as many plugs have one.
struct OwnMeter {
    Duration period;
    Duration stale_after;  ///< longer silent, the load is judged by its leg alone
};

struct Load {
    std::string id;
    std::string name;
    LegSet legs;
    int rank;  ///< 1 is kept longest; ranks are unique among the controlled loads
    Control control;
    std::vector<Stage> stages;  ///< one or two, in the order they start
    Duration minimum_on{};
    Duration minimum_off{};       ///< the rest between two starts (short-cycle protection)
    Duration switch_latency{};    ///< from command to contact, at most
    bool reports_switch = false;  ///< the switch tells its state on a feedback topic
    bool wanted_at_start = true;
    /// Loads of one rotation that cannot all run take turns, whatever their ranks. Empty: it takes none.
    std::string rotation{};
    std::optional<Adjustment> adjustment{};  ///< of a switched load with one stage; its figures are those of
                                             ///< the highest setting
    std::optional<OwnMeter> own_meter{};
    int stall_retries = 0;  ///< after a stall it is tried again so often before a person must have looked

    bool controlled() const { return control != Control::observed; }

    /// Everything of this load running.
    double running_a() const {
        double sum_a = 0;
        for (const Stage& stage : stages)
            sum_a += stage.running_a;
        return sum_a;
    }
    /// The highest current this load can add from now on, given that its first `settled` stages run already.
    double start_a(std::size_t settled) const {
        double before_a = 0;
        double highest_a = 0;
        for (std::size_t s = settled; s < stages.size(); ++s) {
            highest_a = std::max(highest_a, before_a + stages[s].start_a);
            before_a += stages[s].running_a;
        }
        return highest_a;
    }
    /// The longest of its stages.
    Duration start_window() const {
        Duration longest{};
        for (const Stage& stage : stages)
            longest = std::max(longest, stage.start_window);
        return longest;
    }
    /// A motor start: the peak stands out above the running current.
    bool starts_hard() const {
        return std::any_of(stages.begin(), stages.end(),
                           [](const Stage& s) { return s.start_a > 1.2 * s.running_a; });
    }
};

}  // namespace ampmarshal::rules
