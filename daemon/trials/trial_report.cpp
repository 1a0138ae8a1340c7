#include "daemon/trials/trial_report.h"

#include <array>
#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "daemon/trials/figures.h"

namespace ampmarshal::daemon::trials {

namespace {

using Json = nlohmann::ordered_json;

// Seconds to minutes pass from fan to compressor. A hand measurement does not tell, and too long is the safe
// side.
constexpr int latest_compressor_s = 300;

std::string table_line(const char* what, const char* unit, const Quantity& q, int decimals) {
    const auto& s = q.summary;
    std::array<char, 160> line{};
    std::snprintf(line.data(), line.size(), "  %-16s %2s %9s %9s   %-20s %9s %9s\n", what, unit,
                  figure(s.mean, decimals).c_str(),
                  s.deviation ? figure(*s.deviation, decimals).c_str() : "-",
                  q.interval ? figure(*q.interval, decimals).c_str() : "-", figure(s.least, decimals).c_str(),
                  figure(s.most, decimals).c_str());
    return line.data();
}

std::string note_lines(const std::vector<std::string>& notes) {
    std::string out;
    for (const auto& note : notes)
        out += wrapped("Note: ", note);
    return out;
}

std::string fitting_table(const FittingResult& r, Emphasis emphasis) {
    std::array<char, 160> head{};
    std::snprintf(head.data(), head.size(), "  %-19s %9s %9s   %-20s %9s %9s\n", "", "mean", "s",
                  "95 % of the mean", "lowest", "highest");
    std::string out = strong(r.load + ", " + heading(r), emphasis) + "\n" + faint(head.data(), emphasis);
    out += table_line("start", "A", r.start_a, 2);
    out += table_line("running", "A", r.running_a, 2);
    out += table_line("start / running", "", r.ratio, 2);
    if (r.fan_start_a) out += table_line("fan start", "A", *r.fan_start_a, 2);
    if (r.fan_running_a) out += table_line("fan running", "A", *r.fan_running_a, 2);
    if (r.start_va) out += table_line("start", "VA", *r.start_va, 0);
    if (r.running_va) out += table_line("running", "VA", *r.running_va, 0);
    return out + note_lines(r.notes) + "\n";
}

Json pair(const Interval& interval) {
    return Json::array({interval.low, interval.high});
}

Json quantity_json(const Quantity& q) {
    Json out{{"n", q.summary.n}, {"mean", q.summary.mean}, {"deviation", nullptr}, {"interval_95", nullptr}};
    if (q.summary.deviation) out["deviation"] = *q.summary.deviation;
    if (q.interval) out["interval_95"] = pair(*q.interval);
    out["lowest"] = q.summary.least;
    out["highest"] = q.summary.most;
    out["values"] = q.values;
    out["outlier"] = nullptr;
    if (q.outlier) out["outlier"] = q.values[*q.outlier];
    return out;
}

Json fitting_json(const FittingResult& r) {
    Json out{{"load", r.load}, {"fitting", r.fitting}, {"trials", r.trials.size()}};
    out["start_a"] = quantity_json(r.start_a);
    out["running_a"] = quantity_json(r.running_a);
    out["start_to_running"] = quantity_json(r.ratio);
    if (r.fan_start_a) out["fan_start_a"] = quantity_json(*r.fan_start_a);
    if (r.fan_running_a) out["fan_running_a"] = quantity_json(*r.fan_running_a);
    if (r.volts) out["voltage_v"] = *r.volts;
    if (r.start_va) out["start_va"] = quantity_json(*r.start_va);
    if (r.running_va) out["running_va"] = quantity_json(*r.running_va);
    out["notes"] = r.notes;
    return out;
}

Json comparison_json(const Comparison& c) {
    Json out{{"load", c.load},
             {"before", c.before},
             {"after", c.after},
             {"reduction_percent", c.reduction_percent},
             {"reduction_percent_interval_95", nullptr},
             {"certain", c.certain()}};
    if (c.interval) out["reduction_percent_interval_95"] = pair(*c.interval);
    if (c.less_a) {
        out["less_a"] = c.less_a->difference;
        out["less_a_interval_95"] = pair(c.less_a->interval);
        out["p"] = c.less_a->p;
    }
    out["notes"] = c.notes;
    return out;
}

/// To a tenth of an ampere, upwards; the least bit of rounding in a reading does not count.
std::string upwards(double current_a) {
    return figure(std::ceil(current_a * 10 - 1e-6) / 10, 1);
}

std::string stage(const std::string& name, double start_a, double running_a, const std::string& more = {}) {
    return "        { \"name\": \"" + name + "\", \"start_a\": " + upwards(start_a) +
           ", \"running_a\": " + upwards(running_a) + more + " }";
}

std::string profile(const FittingResult& r, const std::string& unused) {
    const double start_a = start_to_plan_for_a(r.start_a);
    std::string out = "    // " + heading(r) + (unused.empty() ? "" : "; not used: " + unused) + "\n";
    if (r.trials.size() == 1)
        out += "    // One trial only: the next start may well be higher. Measure more.\n";
    std::string stages;
    if (r.fan_running_a) {
        const double fan_a = r.fan_running_a->summary.most;
        if (!r.fan_start_a)
            out += "    // The fan's start was not read: its running current stands in for it.\n";
        out +=
            "    // The wait from fan to compressor was not measured: set latest_after_s if you know it.\n";
        stages = stage("fan", r.fan_start_a ? std::max(start_to_plan_for_a(*r.fan_start_a), fan_a) : fan_a,
                       fan_a) +
                 ",\n" +
                 stage("compressor", start_a, r.motor_running_a.summary.most,
                       ", \"latest_after_s\": " + std::to_string(latest_compressor_s));
    } else {
        stages = stage("start", start_a, r.running_a.summary.most);
    }
    return out + "    { \"id\": \"" + r.load + "\",\n      \"stages\": [\n" + stages + "\n      ] }";
}

}  // namespace

std::string heading(const FittingResult& r) {
    return r.fitting + ", " + count(r.trials.size(), "trial") +
           (r.volts ? " at " + figure(*r.volts, 0) + " V" : "");
}

std::string verdict(const Comparison& c) {
    const bool lower = c.reduction_percent >= 0;
    const double sign = lower ? 1 : -1;
    const auto turned = [&](const Interval& i) { return lower ? i : Interval{-i.high, -i.low}; };
    std::string out = "With " + c.after + " the start is " + figure(sign * c.reduction_percent, 1) + " % " +
                      (lower ? "lower" : "higher") + " than with " + c.before;
    if (!c.interval) return out + ", by the means alone. How sure that is cannot be told.";
    out += " (95 %: " + figure(turned(*c.interval), 1) + " %)";
    if (c.less_a)
        out += ", " + figure(sign * c.less_a->difference, 2) + " A " + (lower ? "less" : "more") + " (" +
               figure(turned(c.less_a->interval), 2) + " A)";
    return out + (c.certain() ? ". The change is certain (95 %)."
                              : ". The change is not certain: take more trials.");
}

std::string table(const Results& results, Emphasis emphasis) {
    std::string out;
    for (std::size_t i = 0; i < results.fittings.size(); ++i) {
        const auto& load = results.fittings[i].load;
        out += fitting_table(results.fittings[i], emphasis);
        if (i + 1 < results.fittings.size() && results.fittings[i + 1].load == load) continue;
        for (const auto& c : results.comparisons) {
            if (c.load != load) continue;
            out += strong(load + ", " + c.before + " to " + c.after, emphasis) + "\n" +
                   wrapped("", verdict(c)) + note_lines(c.notes) + "\n";
        }
    }
    return out +
           "Start: the highest reading less what flowed just before it. Running: everything running less "
           "what\n"
           "flowed before the load. s: standard deviation of single trials. Start / running: of what "
           "started.\n";
}

std::string as_json(const Results& results) {
    Json out{{"fittings", Json::array()}, {"comparisons", Json::array()}};
    for (const auto& fitting : results.fittings)
        out["fittings"].push_back(fitting_json(fitting));
    for (const auto& comparison : results.comparisons)
        out["comparisons"].push_back(comparison_json(comparison));
    // A label that is not UTF-8 must not make the whole report fail.
    return out.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

std::string profiles(const Results& results) {
    std::string out =
        "// Load profiles from trials: put the stages into the loads of your configuration. start_a is the "
        "highest\n"
        "// start seen, or what 95 % of starts to come should stay below, whichever is more.\n{\n  "
        "\"loads\": [\n";
    std::string unused;
    for (std::size_t i = 0; i < results.fittings.size(); ++i) {
        const auto& r = results.fittings[i];
        const bool is_last = i + 1 == results.fittings.size();
        if (!is_last && results.fittings[i + 1].load == r.load) {
            unused += (unused.empty() ? "" : ", ") + r.fitting;
            continue;
        }
        out += profile(r, unused) + (is_last ? "\n" : ",\n");
        unused.clear();
    }
    return out + "  ]\n}\n";
}

}  // namespace ampmarshal::daemon::trials
