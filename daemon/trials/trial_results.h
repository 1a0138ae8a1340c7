// What trials come to: per load and fitting the currents the load itself adds, with their spread; per load
// what one fitting changes against another; and in words whatever makes a result weaker than it looks.
// Figures only: how they are shown is for trial_report and trial_page.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "daemon/trials/statistics.h"
#include "daemon/trials/trial_file.h"

namespace ampmarshal::daemon::trials {

/// One figure over all trials of a load and fitting.
struct Quantity {
    std::vector<double> values;
    Summary summary;
    std::optional<Interval> interval;    ///< of the mean
    std::optional<std::size_t> outlier;  ///< position in `values`
};

struct FittingResult {
    std::string load;
    std::string fitting;
    std::vector<Trial> trials;
    Quantity start_a;          ///< highest reading less what flowed just before
    Quantity running_a;        ///< everything running less what flowed before the load: the whole unit
    Quantity motor_running_a;  ///< everything running less what flowed just before the start
    Quantity ratio;            ///< start over motor running, trial by trial
    std::optional<Quantity> fan_start_a{};
    std::optional<Quantity> fan_running_a{};
    std::optional<double> volts{};       ///< mean of the trials that tell it
    std::optional<Quantity> start_va{};  ///< at the voltage of each trial, as long as all tell it
    std::optional<Quantity> running_va{};
    std::vector<std::string> notes{};  ///< what a person should know before relying on this
};

/// How the start changed from one fitting to another of the same load.
struct Comparison {
    std::string load;
    std::string before;
    std::string after;
    double reduction_percent;            ///< negative: it has grown
    std::optional<Interval> interval{};  ///< of the reduction in percent (Fieller)
    std::optional<Difference> less_a{};  ///< before less after (Welch)
    std::vector<std::string> notes{};

    /// The interval leaves out "no change".
    bool certain() const { return interval && !interval->contains(0); }
};

struct Results {
    std::vector<FittingResult> fittings;  ///< loads, then their fittings, in the order of the files
    std::vector<Comparison> comparisons;  ///< each further fitting against the first of its load
};

Results evaluate(const std::vector<Trial>& trials, Unit unit);

/// A start that the load will most likely not exceed: the highest seen, or where statistics expect nearly all
/// of the next ones to stay below, whichever is more.
double start_to_plan_for_a(const Quantity& start_a);

}  // namespace ampmarshal::daemon::trials
