#include "daemon/trials/trial_results.h"

#include <algorithm>
#include <cmath>
#include <functional>

#include "daemon/trials/figures.h"

namespace ampmarshal::daemon::trials {

namespace {

// Common practice, no source: a clamp meter is good to 2 or 3 % and a few digits. What lies closer to the
// mean than this is the meter, whatever a test says about readings that happen to agree to the last digit.
constexpr double meter_spread = 0.05;

// Common practice: a compressor that starts straight on the line draws 3 to 8 times its running current. Less
// than this was not a start, or not all of it.
constexpr double least_hard_ratio = 2.5;

// A start draws in proportion to the voltage, roughly: beyond this a change of voltage is worth telling.
constexpr double voltage_spread = 0.03;

Quantity quantity(const std::vector<Trial>& trials, const std::function<double(const Trial&)>& of) {
    Quantity out;
    for (const auto& trial : trials)
        out.values.push_back(of(trial));
    out.summary = summarize(out.values);
    out.interval = mean_interval(out.summary);
    out.outlier = outlier(out.values);
    if (out.outlier &&
        std::abs(out.values[*out.outlier] - out.summary.mean) <= meter_spread * out.summary.mean)
        out.outlier.reset();
    return out;
}

template <class Reading>
bool all_have(const std::vector<Trial>& trials, Reading reading) {
    return std::all_of(trials.begin(), trials.end(),
                       [&](const Trial& t) { return std::invoke(reading, t).has_value(); });
}

/// A label such as "soft-start" or "Soft starter".
bool tames_starts(std::string fitting) {
    std::transform(fitting.begin(), fitting.end(), fitting.begin(),
                   [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
    return fitting.find("soft") != std::string::npos;
}

void note_outlier(FittingResult& result, const Quantity& quantity, const std::string& what) {
    if (!quantity.outlier) return;
    result.notes.push_back(
        what + " of " + figure(quantity.values[*quantity.outlier], 2) + " A (" +
        result.trials[*quantity.outlier].place +
        ") stands out from the rest (Grubbs' test, 5 %). It is counted; look at the trial, and "
        "leave it out only for a reason you can name.");
}

void note_meter(FittingResult& result) {
    const auto is_flat = [](const Trial& t) { return t.start_a == t.running_a; };
    // The readings themselves: what flowed before them may differ.
    const auto reads_as_first = [&](const Trial& t) { return t.start_a == result.trials[0].start_a; };
    if (std::all_of(result.trials.begin(), result.trials.end(), is_flat)) {
        result.notes.push_back(
            "No start was above what runs afterwards. A heater is like that; with a motor in it, the meter "
            "has "
            "missed the start: use one with an inrush mode.");
    } else if (result.trials.size() >= 3 &&
               std::all_of(result.trials.begin(), result.trials.end(), reads_as_first)) {
        result.notes.push_back(
            "All starts read exactly the same. Starts vary; a meter at the end of its range, or one that "
            "holds an "
            "old reading, does not.");
    } else if (result.ratio.summary.mean < least_hard_ratio && !tames_starts(result.fitting)) {
        result.notes.push_back("The start is only " + figure(result.ratio.summary.mean, 1) +
                               " times the running current. A compressor straight on the line takes 3 to 8 "
                               "times: if one is in it, the "
                               "meter is too slow for its start; use one with an inrush mode. If something "
                               "softens the start, say so "
                               "in the fitting's label (\"soft-start\").");
    }
}

void add_notes(FittingResult& result, Unit unit) {
    if (result.trials.size() == 1)
        result.notes.emplace_back(
            "One trial only: it tells nothing of how much starts vary, so there is no interval.");
    note_outlier(result, result.start_a, "A start");
    note_outlier(result, result.running_a, "A running current");
    note_meter(result);
    if (unit == Unit::watts)
        result.notes.emplace_back(
            "Computed from watts. A motor draws more amperes than its watts tell, at its start two to five "
            "times "
            "as many: measure amperes before relying on this.");
}

FittingResult fitting_result(std::vector<Trial> trials, Unit unit) {
    FittingResult out;
    out.load = trials[0].load;
    out.fitting = trials[0].fitting;
    const auto start = [](const Trial& t) { return t.start_a - t.just_before_a(); };
    const auto running = [](const Trial& t) { return t.running_a - t.before_a; };
    const auto motor = [](const Trial& t) { return t.running_a - t.just_before_a(); };
    out.start_a = quantity(trials, start);
    out.running_a = quantity(trials, running);
    out.motor_running_a = quantity(trials, motor);
    out.ratio = quantity(trials, [&](const Trial& t) { return start(t) / motor(t); });
    if (all_have(trials, &Trial::fan_running_a))
        out.fan_running_a = quantity(trials, [](const Trial& t) { return *t.fan_running_a - t.before_a; });
    if (all_have(trials, &Trial::fan_start_a))
        out.fan_start_a = quantity(trials, [](const Trial& t) { return *t.fan_start_a - t.before_a; });
    if (all_have(trials, &Trial::volts)) {
        out.volts = quantity(trials, [](const Trial& t) { return *t.volts; }).summary.mean;
        out.start_va = quantity(trials, [&](const Trial& t) { return start(t) * *t.volts; });
        out.running_va = quantity(trials, [&](const Trial& t) { return running(t) * *t.volts; });
    }
    out.trials = std::move(trials);
    add_notes(out, unit);
    return out;
}

Comparison compare(const FittingResult& before, const FittingResult& after) {
    const auto& was = before.start_a.summary;
    const auto& is = after.start_a.summary;
    Comparison out{before.load, before.fitting, after.fitting, 100 * (1 - is.mean / was.mean)};
    if (const auto ratio = ratio_interval(is, was))
        out.interval = Interval{100 * (1 - ratio->high), 100 * (1 - ratio->low)};
    out.less_a = welch(was, is);
    if (!was.deviation || !is.deviation) {
        out.notes.emplace_back(
            "A fitting with one trial only gives no interval; measure each at least three times.");
    } else if (!out.interval) {
        out.notes.emplace_back("The starts vary too little or too much for an interval; take more trials.");
    }
    if (before.volts && after.volts && std::abs(*before.volts / *after.volts - 1) > voltage_spread)
        out.notes.push_back("Measured at " + figure(*before.volts, 0) + " V and " + figure(*after.volts, 0) +
                            " V. A start follows the voltage, so part of the change may be that.");
    return out;
}

}  // namespace

double start_to_plan_for_a(const Quantity& start_a) {
    return std::max(start_a.summary.most, next_value_bound(start_a.summary).value_or(0));
}

Results evaluate(const std::vector<Trial>& trials, Unit unit) {
    std::vector<std::vector<std::vector<Trial>>> loads;  // loads, fittings, trials
    for (const auto& trial : trials) {
        auto same_load = std::find_if(loads.begin(), loads.end(),
                                      [&](const auto& l) { return l[0][0].load == trial.load; });
        if (same_load == loads.end()) same_load = loads.emplace(loads.end());
        auto same_fitting = std::find_if(same_load->begin(), same_load->end(),
                                         [&](const auto& f) { return f[0].fitting == trial.fitting; });
        if (same_fitting == same_load->end()) same_fitting = same_load->emplace(same_load->end());
        same_fitting->push_back(trial);
    }
    Results out;
    for (auto& load : loads) {
        const std::size_t first = out.fittings.size();
        for (auto& fitting : load) {
            out.fittings.push_back(fitting_result(std::move(fitting), unit));
            if (out.fittings.size() > first + 1)
                out.comparisons.push_back(compare(out.fittings[first], out.fittings.back()));
        }
    }
    return out;
}

}  // namespace ampmarshal::daemon::trials
