#include "daemon/plan/plan_page.h"

#include <algorithm>
#include <cmath>

#include "daemon/output.h"
#include "daemon/trials/figures.h"

namespace ampmarshal::daemon::plan {

using rules::LoadIndex;
using trials::figure;

namespace {

constexpr const char* head = R"(<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Will it run here?</title>
<style>
:root { color-scheme: light dark;
  --paper: #fbfaf7; --ink: #23282d; --faint: #5d666e; --rule: #dedbd3; --yes: #d5e8dc; --turn: #f3e6c4; --no: #f1d7cd;
  --bar: #1f6f8b; --peak: #8fbccb; --limit: #a4501c; }
@media (prefers-color-scheme: dark) { :root {
  --paper: #191c1f; --ink: #e6e4df; --faint: #a2a9af; --rule: #383d42; --yes: #23402f; --turn: #4a3f1e; --no: #4f2c22;
  --bar: #6fc3df; --peak: #2f5f70; --limit: #eda06c; } }
body { margin: 0 auto; padding: 2rem 1.25rem 3rem; max-width: 46rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.55 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; }
h1 { font-size: 1.7rem; font-weight: 600; line-height: 1.2; margin: 0 0 .25rem; }
h2 { font-size: 1.3rem; font-weight: 600; margin: 3rem 0 .5rem; padding-top: 1.25rem; border-top: 1px solid var(--rule); }
h3 { font-size: 1rem; font-weight: 600; margin: 1.75rem 0 .5rem; }
.lead, .aside, footer { color: var(--faint); }
.aside, footer { font-size: .875rem; }
.verdict { font-size: 1.1rem; margin: .75rem 0; }
ul { margin: .5rem 0; padding-left: 1.25rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; font-size: .875rem; font-variant-numeric: tabular-nums; }
.figures { width: 100%; }
.figures th, .figures td { padding: .3rem 0 .3rem 1rem; text-align: right; white-space: nowrap; }
.figures th:first-child { padding-left: 0; text-align: left; font-weight: normal; }
.figures thead th { color: var(--faint); font-weight: normal; border-bottom: 1px solid var(--rule); }
.matrix { border-spacing: 3px; border-collapse: separate; }
.matrix th { font-weight: normal; text-align: right; padding: 0 .5rem 0 0; }
.matrix thead th { text-align: center; vertical-align: bottom; padding: 0 .25rem .25rem; color: var(--faint); }
.matrix td { min-width: 3.6rem; height: 2.1rem; text-align: center; border-radius: 4px; }
.yes { background: var(--yes); } .turn { background: var(--turn); } .no { background: var(--no); }
.alone { border: 1px solid var(--rule); color: var(--faint); }
svg { display: block; width: 100%; overflow: visible; }
svg text { fill: var(--faint); font-size: 13px; stroke: var(--paper); stroke-width: 4px; paint-order: stroke; }
svg .name { fill: var(--ink); }
.base { fill: var(--bar); } .peak { fill: var(--peak); }
.limit { stroke: var(--limit); stroke-width: 1.5; stroke-dasharray: 6 4; }
.curve { stroke: var(--limit); stroke-width: 2; fill: none; }
.grid { stroke: var(--rule); } .axis { stroke: var(--faint); }
.dot { fill: var(--bar); }
svg .limit-name { fill: var(--limit); }
@media print { body { max-width: none; padding: 0; } section { break-inside: avoid; } }
</style>
</head>
<body>
)";

constexpr const char* foot = R"(<footer>
<h2>How to read this</h2>
<p>Each row starts while the load of the column runs. Yes: even at the same moment. Turn: one after the other. No: not
both. Alone: with nothing else on. Point at a cell to read why.</p>
<p>The bars are the starts in their order: dark is what runs then, light the highest it may come to for a moment,
with what nobody controls starting, too. The dashed line is the most allowed for as long as the start takes.</p>
<p>In the time-current picture the line is when the source may trip at the earliest, or gives up, from cold. A start that
lies to the left of it and below passes. The daemon keeps a margin to it.</p>
<p>Measured figures decide, not plates: measure before you rely on it. ampmarshal is no protective device.</p>
</footer>
</body>
</html>
)";

std::string list(const std::string& heading, const std::vector<std::string>& sentences) {
    if (sentences.empty()) return {};
    std::string out = "<h3>" + heading + "</h3>\n<ul>\n";
    for (const std::string& sentence : sentences)
        out += "<li>" + escaped(sentence) + "</li>\n";
    return out + "</ul>\n";
}

std::string matrix(const Plans& plans, const SourcePlan& plan) {
    std::string out =
        "<h3>Which may start while which runs</h3>\n<div class=\"scroll\"><table "
        "class=\"matrix\">\n<thead><tr>"
        "<th scope=\"col\">starts \\ runs</th>";
    for (LoadIndex i : plan.loads)
        out += "<th scope=\"col\">" + escaped(plans.rig.loads[i].name) + "</th>";
    out += "</tr></thead>\n<tbody>\n";
    for (std::size_t i = 0; i < plan.loads.size(); ++i) {
        out += "<tr><th scope=\"row\">" + escaped(plans.rig.loads[plan.loads[i]].name) + "</th>";
        for (std::size_t j = 0; j < plan.loads.size(); ++j) {
            const std::string verdict = word(plan, i, j);
            const auto& reason = i == j ? plan.alone[i] : plan.matrix[i][j].why;
            out += "<td class=\"" + verdict + "\"";
            if (reason) out += " title=\"" + escaped(why(plans, plan, *reason)) + "\"";
            out += ">" + verdict + "</td>";
        }
        out += "</tr>\n";
    }
    return out + "</tbody>\n</table></div>\n";
}

std::string along(double value, double top) {
    return figure(100 * value / top, 2) + "%";
}

/// One bar for each start. Heights are in pixels and positions along the axis in percent, so text keeps its
/// size however wide the chart is shown.
std::string bars(const Plans& plans, const SourcePlan& plan) {
    if (plan.steps.empty()) return {};
    constexpr double row = 46;
    double top_a = 0;
    for (const Step& s : plan.steps)
        top_a = std::max({top_a, 1.05 * s.peak_a, 1.05 * s.allowed_a});
    std::string told = "Starts in their order:";
    std::string drawn;
    for (std::size_t i = 0; i < plan.steps.size(); ++i) {
        const Step& s = plan.steps[i];
        const double y = row * static_cast<double>(i);
        const std::string words = std::to_string(i + 1) + ". " + plans.rig.loads[s.load].name + ": " +
                                  figure(s.before_a, 1) + " A, up to " + figure(s.peak_a, 1) + " A of " +
                                  figure(s.allowed_a, 1) + " A, then " + figure(s.after_a, 1) + " A" +
                                  (s.line_v ? ", line at least " + figure(*s.line_v, 0) + " V" : "");
        told += " " + words + ".";
        drawn +=
            "<text class=\"name\" x=\"0\" y=\"" + figure(y + 14, 0) + "\">" + escaped(words) + "</text>\n";
        const auto bar = [&](const char* kind, double to_a) {
            return std::string("<rect class=\"") + kind + "\" x=\"0\" y=\"" + figure(y + 21, 0) +
                   "\" height=\"12\" width=\"" + along(to_a, top_a) + "\"/>";
        };
        drawn += bar("peak", s.peak_a) + bar("base", s.after_a) + "<line class=\"limit\" x1=\"" +
                 along(s.allowed_a, top_a) + "\" x2=\"" + along(s.allowed_a, top_a) + "\" y1=\"" +
                 figure(y + 18, 0) + "\" y2=\"" + figure(y + 36, 0) + "\"/>\n";
    }
    return "<h3>Start in this order</h3>\n<svg height=\"" +
           figure(row * static_cast<double>(plan.steps.size()), 0) + "\" role=\"img\" aria-label=\"" +
           escaped(told) + "\">\n" + drawn + "</svg>\n";
}

std::string margins(const Plans& plans, const SourcePlan& plan) {
    std::string out =
        "<h3>What is left of every limit</h3>\n<div class=\"scroll\"><table "
        "class=\"figures\">\n<thead><tr><th></th>"
        "<th scope=\"col\">running</th><th scope=\"col\">may stay</th><th scope=\"col\">free</th>"
        "<th scope=\"col\">highest start</th><th scope=\"col\">ceiling</th><th "
        "scope=\"col\">for</th></tr></thead>\n"
        "<tbody>\n";
    for (std::size_t l = 0; l < plan.margins.size(); ++l) {
        const Margin& m = plan.margins[l];
        out += "<tr><th scope=\"row\">" + escaped(plans.rig.sources[plan.source].limits[l].name) + "</th>";
        for (double current_a : {m.running_a, m.steady_a, m.steady_a - m.running_a, m.peak_a, m.ceiling_a})
            out += "<td>" + figure(current_a, 1) + " A</td>";
        out += "<td>" + lasts(m) + "</td></tr>\n";
    }
    return out + "</tbody>\n</table></div>\n";
}

/// Current to the right, time upwards, both by powers of ten: when the source's tightest limit gives up, and
/// where each start lies.
class TimeCurrent {
  public:
    TimeCurrent(const Plans& plans, const SourcePlan& plan) : plans_(plans), plan_(plan) {
        const auto& limits = plans.rig.sources[plan.source].limits;
        limit_ = &*std::min_element(limits.begin(), limits.end(),
                                    [](const auto& a, const auto& b) { return a.ceiling_a < b.ceiling_a; });
        from_a_ = std::pow(10, std::floor(std::log10(0.3 * limit_->steady_a)));
        to_a_ = 2 * limit_->ceiling_a;
        for (const Step& s : plan.steps)
            to_a_ = std::max(to_a_, 1.5 * s.peak_a);
    }

    std::string svg() const {
        return "<h3>Time and current</h3>\n<svg height=\"" + figure(height + 30, 0) +
               "\" role=\"img\" aria-label=\"" +
               escaped("How long " + limit_->name + " carries which current, and where each start lies") +
               "\">\n" + grid() + curve() + dots() + "</svg>\n";
    }

  private:
    static constexpr double height = 260;
    static constexpr double shortest_s = 0.1;
    static constexpr double longest_s = 20'000;

    double share_x(double current_a) const {
        return std::log(current_a / from_a_) / std::log(to_a_ / from_a_);
    }
    std::string x(double current_a) const { return figure(100 * share_x(current_a), 2) + "%"; }
    static std::string y(double time_s) {
        return figure(height * (1 - std::log(time_s / shortest_s) / std::log(longest_s / shortest_s)), 1);
    }
    static std::string line(const char* kind, const std::string& x1, const std::string& y1,
                            const std::string& x2, const std::string& y2) {
        return std::string("<line class=\"") + kind + "\" x1=\"" + x1 + "\" y1=\"" + y1 + "\" x2=\"" + x2 +
               "\" y2=\"" + y2 + "\"/>\n";
    }

    std::string grid() const {
        std::string out;
        const std::pair<double, const char*> times[] = {{0.1, "0.1 s"}, {1, "1 s"},      {10, "10 s"},
                                                        {60, "1 min"},  {600, "10 min"}, {10'800, "3 h"}};
        for (const auto& [time_s, name] : times)
            out += line("grid", "0%", y(time_s), "100%", y(time_s)) + "<text x=\"0\" y=\"" + y(time_s) +
                   "\" dy=\"-3\">" + name + "</text>\n";
        const int powers = 1 + static_cast<int>(std::log10(to_a_ / from_a_));
        for (int i = 0; i < powers; ++i)
            for (double step : {1, 2, 5}) {
                const double current_a = step * from_a_ * std::pow(10, i);
                if (current_a <= to_a_ && share_x(current_a) > 0.08)
                    out += line("grid", x(current_a), "0", x(current_a), figure(height, 0)) +
                           "<text text-anchor=\"middle\" x=\"" + x(current_a) + "\" y=\"" +
                           figure(height + 18, 0) + "\">" + figure(current_a, 0) + " A</text>\n";
            }
        return out;
    }

    double gives_up_s(double current_a) const {
        if (current_a >= limit_->ceiling_a) return shortest_s;
        double soonest_s = longest_s;
        for (const rules::ThermalImage& image : limit_->images)
            if (const auto trip = image.time_to_trip(0, current_a))
                soonest_s = std::min(soonest_s, rules::seconds(*trip));
        return std::max(soonest_s, shortest_s);
    }

    std::string curve() const {
        constexpr int pieces = 120;
        std::string out;
        double last_a = from_a_;
        for (int i = 1; i <= pieces; ++i) {
            const double next_a = from_a_ * std::pow(to_a_ / from_a_, static_cast<double>(i) / pieces);
            if (gives_up_s(last_a) < longest_s && last_a < limit_->ceiling_a)
                out += line("curve", x(last_a), y(gives_up_s(last_a)), x(next_a), y(gives_up_s(next_a)));
            last_a = next_a;
        }
        return out + line("limit", x(limit_->ceiling_a), "0", x(limit_->ceiling_a), figure(height, 0)) +
               "<text class=\"limit-name\" text-anchor=\"end\" dx=\"-6\" x=\"" + x(limit_->ceiling_a) +
               "\" y=\"14\">" + escaped(limit_->name) + ", never above " + figure(limit_->ceiling_a, 0) +
               " A</text>\n";
    }

    std::string dots() const {
        std::string out;
        double lift = 8;  // names go above the dots, each above the one before: starts lie close together
        for (const Step& s : plan_.steps) {
            const rules::Load& load = plans_.rig.loads[s.load];
            const double window_s = std::max(shortest_s, rules::seconds(load.start_window()));
            out += "<circle class=\"dot\" r=\"5\" cx=\"" + x(std::max(s.peak_a, from_a_)) + "\" cy=\"" +
                   y(window_s) + "\"/><text class=\"name\" text-anchor=\"end\" dx=\"-9\" x=\"" +
                   x(std::max(s.peak_a, from_a_)) + "\" y=\"" + y(window_s) + "\" dy=\"" + figure(-lift, 0) +
                   "\">" + escaped(load.name) + "</text>\n";
            lift += 15;
        }
        return out;
    }

    const Plans& plans_;
    const SourcePlan& plan_;
    const rules::Limit* limit_;
    double from_a_;
    double to_a_;
};

std::string section(const Plans& plans, const SourcePlan& plan) {
    std::string out = "<section>\n<h2>" + escaped(plans.rig.sources[plan.source].name) + "</h2>\n";
    out += "<p class=\"verdict\">" + std::string(plan.all_fit() ? "Fits: " : "Best by rank: ") +
           escaped(names(plans.rig, plan.set)) + ".</p>\n";
    std::vector<std::string> lines;
    lines.reserve(plan.left_out.size());
    for (const LeftOut& left : plan.left_out)
        lines.push_back(left_out(plans, plan, left));
    out += list("Left out", lines) + list("What would make all fit (one of these)", changes(plans, plan));
    out += matrix(plans, plan) + bars(plans, plan) + margins(plans, plan);
    if (plan.running_v) out += "<p>Line: " + escaped(line(plans, plan)) + "</p>\n";
    out += list("Never at the same moment", never_at_once(plans, plan));
    out += list("Then", what_happens(plans, plan)) + TimeCurrent(plans, plan).svg();
    return out + "</section>\n";
}

}  // namespace

std::string page(const Plans& plans) {
    std::string out = std::string(head) + "<h1>Will it run here?</h1>\n<p class=\"lead\">" +
                      escaped(plans.rig.name) + ", wanted: " + escaped(names(plans.rig, plans.wanted)) +
                      ".</p>\n";
    for (const SourcePlan& plan : plans.sources)
        out += section(plans, plan);
    return out + foot;
}

}  // namespace ampmarshal::daemon::plan
