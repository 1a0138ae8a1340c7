#include "daemon/trials/trial_page.h"

#include <algorithm>
#include <cmath>

#include "daemon/output.h"
#include "daemon/trials/figures.h"
#include "daemon/trials/trial_report.h"

namespace ampmarshal::daemon::trials {

namespace {

constexpr const char* head = R"(<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Measured starts</title>
<style>
:root { color-scheme: light dark;
  --paper: #fbfaf7; --ink: #23282d; --faint: #5d666e; --rule: #dedbd3; --dot: #1f6f8b; --limit: #a4501c; }
@media (prefers-color-scheme: dark) { :root {
  --paper: #191c1f; --ink: #e6e4df; --faint: #a2a9af; --rule: #383d42; --dot: #6fc3df; --limit: #eda06c; } }
body { margin: 0 auto; padding: 2rem 1.25rem 3rem; max-width: 44rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.55 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; }
h1 { font-size: 1.7rem; font-weight: 600; line-height: 1.2; margin: 0 0 .25rem; }
h2 { font-size: 1.3rem; font-weight: 600; margin: 3rem 0 .5rem; padding-top: 1.25rem; border-top: 1px solid var(--rule); }
h3 { font-size: 1rem; font-weight: 600; margin: 1.75rem 0 .5rem; }
.lead, .aside, footer { color: var(--faint); }
.aside, footer { font-size: .875rem; }
.verdict { font-size: 1.1rem; margin: .75rem 0; }
.note { border-left: 3px solid var(--limit); padding-left: .75rem; margin: 1rem 0; }
.chart { margin: 0; padding: 0 .9rem; }
svg { display: block; width: 100%; overflow: visible; }
svg text { fill: var(--faint); font-size: 13px; stroke: var(--paper); stroke-width: 4px; paint-order: stroke; }
svg .name { fill: var(--ink); font-weight: 600; font-size: 14px; }
svg .limit-name { fill: var(--limit); }
.grid { stroke: var(--rule); }
.axis { stroke: var(--faint); }
.limit { stroke: var(--limit); stroke-width: 1.5; stroke-dasharray: 6 4; }
.trial { fill: var(--dot); fill-opacity: .55; stroke: var(--dot); }
.outlier { fill: var(--paper); stroke: var(--dot); stroke-width: 2; }
.interval { stroke: var(--ink); stroke-width: 1.5; }
.mean { stroke: var(--ink); stroke-width: 4; }
.scroll { overflow-x: auto; margin-top: 1.25rem; }
table { border-collapse: collapse; width: 100%; font-size: .875rem; font-variant-numeric: tabular-nums; }
th, td { padding: .3rem 0 .3rem 1rem; text-align: right; white-space: nowrap; }
th:first-child { padding-left: 0; text-align: left; font-weight: normal; }
thead th { color: var(--faint); font-weight: normal; border-bottom: 1px solid var(--rule); }
tbody tr.group th { font-weight: 600; padding-top: .9rem; }
@media print { body { max-width: none; padding: 0; } section { break-inside: avoid; } }
</style>
</head>
<body>
)";

constexpr const char* reading_help = R"(<footer>
<h2>How to read this</h2>
<svg height="30" role="img" aria-label="Marks: a filled dot is one trial, a hollow ring is a trial that stands out, a thick tick on a bar is the mean with its interval, a dashed line is what a source allows."><circle class="trial" cx="8" cy="10" r="5"/><text x="20" y="15">one trial</text><circle class="outlier" cx="108" cy="10" r="5"/><text x="120" y="15">stands out</text><line class="interval" x1="208" x2="248" y1="10" y2="10"/><line class="mean" x1="228" x2="228" y1="4" y2="16"/><text x="256" y="15">mean, 95 %</text></svg>
<p>Each dot is one start. The start is the highest reading less what flowed just before it; running is everything
running less what flowed before the load. The bar is where the true mean lies with 95 % confidence (Student's t); single
starts vary more than it. A dashed line is what a source allows with nothing else on it. A change in percent has
Fieller's interval, a change in amperes Welch's; it is called certain if the interval leaves out no change. A ring stands
out by Grubbs' test (5 %) and by more than 5 % of the mean: it is counted all the same.</p>
<p>ampmarshal is no protective device.</p>
</footer>
</body>
</html>
)";

std::string pixels(double value) {
    return figure(value, 1);
}

/// 1, 2 or 5 times a power of ten, so that the axis has three to seven ticks.
double tick_step(double top) {
    const double power = std::pow(10, std::floor(std::log10(top / 4)));
    for (double factor : {1.0, 2.0, 5.0})
        if (top / (factor * power) <= 7) return factor * power;
    return 10 * power;
}

struct Mark {
    std::string name;
    double current_a;
};

struct Row {
    const FittingResult& result;
    const Quantity& quantity;
};

/// One strip of dots for each fitting, over a common axis from 0. Heights are in pixels and positions along
/// the axis in percent, so text keeps its size however wide the chart is shown.
class Chart {
  public:
    Chart(std::vector<Row> rows, std::vector<Mark> marks) : rows_(std::move(rows)) {
        double highest_a = 0;
        for (const auto& row : rows_)
            highest_a = std::max({highest_a, row.quantity.summary.most,
                                  row.quantity.interval ? row.quantity.interval->high : 0});
        // The axis reaches to the first limit above everything measured, but not so far that the dots huddle
        // together.
        std::sort(marks.begin(), marks.end(),
                  [](const Mark& a, const Mark& b) { return a.current_a < b.current_a; });
        top_a_ = highest_a * 1.05;
        for (const auto& mark : marks)
            if (mark.current_a > highest_a && mark.current_a < 3 * highest_a) {
                top_a_ = std::max(top_a_, mark.current_a * 1.03);
                break;
            }
        for (auto& mark : marks)
            (mark.current_a <= top_a_ ? marks_ : beyond_).push_back(std::move(mark));
    }

    std::string svg(const std::string& title) const {
        const double labels = label_height * static_cast<double>(marks_.size());
        const double floor = labels + row_height * static_cast<double>(rows_.size());
        std::string out = "<div class=\"chart\"><svg height=\"" + pixels(floor + 28) +
                          "\" role=\"img\" aria-label=\"" + escaped(described(title)) + "\">\n";
        out += axis(labels, floor);
        for (std::size_t i = 0; i < marks_.size(); ++i)
            out += line("limit", marks_[i].current_a, marks_[i].current_a, label_top(i) + 2, floor);
        for (std::size_t i = 0; i < marks_.size(); ++i)
            out += limit_name(marks_[i], label_top(i));
        for (std::size_t i = 0; i < rows_.size(); ++i)
            out += strip(rows_[i], labels + row_height * static_cast<double>(i));
        return out + "</svg></div>\n" + told_beyond();
    }

  private:
    static constexpr double row_height = 92;
    static constexpr double label_height = 20;
    static constexpr double dot_radius = 5;
    static constexpr double usual_width = 640;

    std::string along(double current_a) const { return figure(100 * current_a / top_a_, 2) + "%"; }

    std::string described(const std::string& title) const {
        std::string out = title + ".";
        for (const auto& row : rows_)
            out += " " + row.result.fitting + ": " + figures_of(row) + ".";
        for (const auto& mark : marks_)
            out += " " + mark.name + ": " + figure(mark.current_a, 1) + " A.";
        return out;
    }

    static std::string figures_of(const Row& row) {
        const auto& q = row.quantity;
        return "mean " + figure(q.summary.mean, 1) + " A" +
               (q.interval ? " (" + figure(*q.interval, 1) + ")" : "") + ", " + count(q.summary.n, "trial");
    }

    std::string line(const char* kind, double from_a, double to_a, double from_y, double to_y) const {
        return std::string("<line class=\"") + kind + "\" x1=\"" + along(from_a) + "\" x2=\"" + along(to_a) +
               "\" y1=\"" + pixels(from_y) + "\" y2=\"" + pixels(to_y) + "\"/>";
    }

    std::string axis(double ceiling, double floor) const {
        const double step = tick_step(top_a_);
        std::string out = line("axis", 0, top_a_, floor, floor);
        for (int i = 0; i * step <= top_a_; ++i) {
            const double at_a = i * step;
            out += line("grid", at_a, at_a, ceiling, floor) + "<text text-anchor=\"middle\" x=\"" +
                   along(at_a) + "\" y=\"" + pixels(floor + 18) + "\">" + figure(at_a, step < 1 ? 1 : 0) +
                   (i == 0 ? " A" : "") + "</text>\n";
        }
        return out;
    }

    /// The farthest limit has the topmost name, so that names which reach to the left meet few lines.
    double label_top(std::size_t mark) const {
        return label_height * static_cast<double>(marks_.size() - 1 - mark);
    }

    std::string limit_name(const Mark& mark, double y) const {
        const bool to_the_left = mark.current_a > 0.5 * top_a_;
        return "<text class=\"limit-name\" x=\"" + along(mark.current_a) + "\" dx=\"" +
               (to_the_left ? "-6\" text-anchor=\"end" : "6") + "\" y=\"" + pixels(y + 13) + "\">" +
               escaped(mark.name) + ": " + figure(mark.current_a, 1) + " A</text>\n";
    }

    std::string strip(const Row& row, double y) const {
        const auto& q = row.quantity;
        std::string out = "<text class=\"name\" x=\"0\" y=\"" + pixels(y + 20) + "\">" +
                          escaped(row.result.fitting) + "</text><text x=\"0\" y=\"" + pixels(y + 37) + "\">" +
                          figures_of(row) + "</text>\n";
        out += dots(row, y + 57);
        if (q.interval) {
            out += line("interval", std::max(0.0, q.interval->low), q.interval->high, y + 75, y + 75);
            for (double end_a : {std::max(0.0, q.interval->low), q.interval->high})
                out += line("interval", end_a, end_a, y + 71, y + 79);
        }
        return out + line("mean", q.summary.mean, q.summary.mean, y + 69, y + 81) + "\n";
    }

    /// Dots that would cover each other alternate a little above and below the line.
    std::string dots(const Row& row, double y) const {
        const auto& values = row.quantity.values;
        std::vector<std::size_t> order(values.size());
        for (std::size_t i = 0; i < order.size(); ++i)
            order[i] = i;
        std::stable_sort(order.begin(), order.end(),
                         [&](std::size_t a, std::size_t b) { return values[a] < values[b]; });
        constexpr double offsets[] = {0, -7, 7};
        std::size_t crowd = 0;
        std::string out;
        for (std::size_t k = 0; k < order.size(); ++k) {
            const double value = values[order[k]];
            const bool close =
                k > 0 && (value - values[order[k - 1]]) / top_a_ * usual_width < 2 * dot_radius;
            crowd = close ? crowd + 1 : 0;
            const bool stands_out = row.quantity.outlier == order[k];
            out += std::string("<circle class=\"") + (stands_out ? "outlier" : "trial") + "\" cx=\"" +
                   along(value) + "\" cy=\"" + pixels(y + offsets[crowd % 3]) + "\" r=\"" +
                   pixels(dot_radius) + "\"><title>" + figure(value, 2) + " A, " +
                   escaped(row.result.trials[order[k]].place) + (stands_out ? ", stands out" : "") +
                   "</title></circle>\n";
        }
        return out;
    }

    std::string told_beyond() const {
        if (beyond_.empty()) return {};
        std::string out = "<p class=\"aside\">Farther to the right: ";
        for (std::size_t i = 0; i < beyond_.size(); ++i)
            out += (i == 0 ? "" : "; ") + escaped(beyond_[i].name) + ", " + figure(beyond_[i].current_a, 1) +
                   " A";
        return out + ".</p>\n";
    }

    std::vector<Row> rows_;
    std::vector<Mark> marks_;   ///< within the axis, ascending
    std::vector<Mark> beyond_;  ///< farther than the axis reaches, ascending
    double top_a_ = 1;
};

using Group = std::vector<const FittingResult*>;

std::string charts(const Group& group, const std::vector<SourceMark>& sources) {
    std::vector<Row> starts;
    std::vector<Row> runs;
    for (const auto* result : group) {
        starts.push_back({*result, result->start_a});
        runs.push_back({*result, result->running_a});
    }
    std::vector<Mark> ceilings;
    std::vector<Mark> steady;
    for (const auto& source : sources) {
        ceilings.push_back({source.name, source.ceiling_a});
        steady.push_back({source.name, source.steady_a});
    }
    return "<h3>Start</h3>\n" + Chart(starts, ceilings).svg("Start of each trial in amperes") +
           "<h3>Running</h3>\n" + Chart(runs, steady).svg("Running current of each trial in amperes");
}

std::string table_row(const char* what, const Quantity& q, int decimals) {
    const auto& s = q.summary;
    const auto cell = [](const std::string& text) { return "<td>" + text + "</td>"; };
    return std::string("<tr><th scope=\"row\">") + what + "</th>" + cell(figure(s.mean, decimals)) +
           cell(s.deviation ? figure(*s.deviation, decimals) : "&ndash;") +
           cell(q.interval ? figure(*q.interval, decimals) : "&ndash;") + cell(figure(s.least, decimals)) +
           cell(figure(s.most, decimals)) + "</tr>\n";
}

std::string figures_table(const Group& group) {
    std::string out =
        "<div class=\"scroll\"><table>\n<thead><tr><th></th><th scope=\"col\">mean</th><th "
        "scope=\"col\">s</th>"
        "<th scope=\"col\">95 % of the mean</th><th scope=\"col\">lowest</th><th "
        "scope=\"col\">highest</th></tr>"
        "</thead>\n<tbody>\n";
    for (const auto* r : group) {
        out += "<tr class=\"group\"><th scope=\"rowgroup\" colspan=\"6\">" + escaped(heading(*r)) +
               "</th></tr>\n";
        out += table_row("start, A", r->start_a, 2) + table_row("running, A", r->running_a, 2) +
               table_row("start / running", r->ratio, 2);
        if (r->fan_start_a) out += table_row("fan start, A", *r->fan_start_a, 2);
        if (r->fan_running_a) out += table_row("fan running, A", *r->fan_running_a, 2);
        if (r->start_va) out += table_row("start, VA", *r->start_va, 0);
        if (r->running_va) out += table_row("running, VA", *r->running_va, 0);
    }
    return out + "</tbody>\n</table></div>\n";
}

std::string notes(const std::string& about, const std::vector<std::string>& notes) {
    std::string out;
    for (const auto& note : notes)
        out += "<p class=\"note\"><strong>Note, " + escaped(about) + ":</strong> " + escaped(note) + "</p>\n";
    return out;
}

std::string section(const Group& group, const Results& results, const std::vector<SourceMark>& sources) {
    const std::string& load = group[0]->load;
    std::string out = "<section>\n<h2>" + escaped(load) + "</h2>\n";
    for (const auto& c : results.comparisons) {
        if (c.load != load) continue;
        out += "<p class=\"verdict\">" + escaped(verdict(c)) + "</p>\n" +
               notes(c.before + " to " + c.after, c.notes);
    }
    out += charts(group, sources) + figures_table(group);
    for (const auto* result : group)
        out += notes(result->fitting, result->notes);
    return out + "</section>\n";
}

}  // namespace

std::string page(const Results& results, const std::vector<SourceMark>& sources) {
    std::vector<Group> loads;
    std::size_t trials = 0;
    for (const auto& result : results.fittings) {
        if (loads.empty() || loads.back()[0]->load != result.load) loads.emplace_back();
        loads.back().push_back(&result);
        trials += result.trials.size();
    }
    std::string out = std::string(head) + "<h1>Measured starts</h1>\n<p class=\"lead\">" +
                      count(trials, "trial") + " of " + count(loads.size(), "load") + ".</p>\n";
    for (const auto& load : loads)
        out += section(load, results, sources);
    return out + reading_help;
}

}  // namespace ampmarshal::daemon::trials
