#include "daemon/plan/plan_report.h"

#include <algorithm>
#include <array>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "daemon/trials/figures.h"

namespace ampmarshal::daemon::plan {

using rules::LoadIndex;
using trials::figure;

namespace {

using Json = nlohmann::ordered_json;

// NEC 210.19(A) and 215.2, informational notes: 5 % from the service to the farthest outlet.
constexpr double drop_advised_percent = 5;

std::string amperes(double current_a) {
    return figure(current_a, 1) + " A";
}

const std::string& name(const Plans& plans, LoadIndex load) {
    return plans.rig.loads[load].name;
}

std::string bullets(const std::string& heading, const std::vector<std::string>& sentences) {
    if (sentences.empty()) return {};
    std::string out = "  " + heading + "\n";
    for (const std::string& sentence : sentences)
        out += wrapped("  - ", sentence);
    return out;
}

template <class... Values>
std::string row(const char* format, Values... values) {
    std::array<char, 400> text{};
    std::snprintf(text.data(), text.size(), format, values...);
    return text.data();
}

std::string steps_table(const Plans& plans, const SourcePlan& plan, Emphasis emphasis) {
    if (plan.steps.empty()) return {};
    const auto& limits = plans.rig.sources[plan.source].limits;
    std::string out = faint(row("    %-28s %9s %9s %9s %9s%s", "start in this order", "before", "peak",
                                "allowed", "after", plan.running_v ? "    line at least" : ""),
                            emphasis) +
                      "\n";
    for (std::size_t i = 0; i < plan.steps.size(); ++i) {
        const Step& s = plan.steps[i];
        out +=
            row("    %2zu. %-24.24s %9s %9s %9s %9s%s", i + 1, name(plans, s.load).c_str(),
                amperes(s.before_a).c_str(), amperes(s.peak_a).c_str(), amperes(s.allowed_a).c_str(),
                amperes(s.after_a).c_str(), s.line_v ? ("    " + figure(*s.line_v, 0) + " V").c_str() : "");
        if (limits.size() > 1) out += "   " + limits[s.limit].name;
        out += "\n";
    }
    return out;
}

std::string margins_table(const Plans& plans, const SourcePlan& plan, Emphasis emphasis) {
    const std::string heading = "limits, once all of these run";
    std::size_t longest = heading.size();
    for (const rules::Limit& limit : plans.rig.sources[plan.source].limits)
        longest = std::max(longest, limit.name.size());
    const int width = static_cast<int>(longest);
    std::string out = faint(row("    %-*s %9s %9s %9s %9s   %s", width, heading.c_str(), "running",
                                "may stay", "free", "ceiling", "for"),
                            emphasis) +
                      "\n";
    for (std::size_t l = 0; l < plan.margins.size(); ++l) {
        const Margin& m = plan.margins[l];
        out += row("    %-*s %9s %9s %9s %9s   %s\n", width,
                   plans.rig.sources[plan.source].limits[l].name.c_str(), amperes(m.running_a).c_str(),
                   amperes(m.steady_a).c_str(), amperes(m.steady_a - m.running_a).c_str(),
                   amperes(m.ceiling_a).c_str(), lasts(m).c_str());
    }
    return out;
}

/// In single letters where whole words would be wider than a terminal.
std::string matrix_table(const Plans& plans, const SourcePlan& plan, Emphasis emphasis) {
    constexpr std::size_t most_in_words = 8;
    const bool letters = plan.loads.size() > most_in_words;
    const int cell_width = letters ? 1 : 5;
    const int name_width = letters ? 22 : 25;
    const auto cell = [&](const std::string& text) {
        return row(" %*.*s", cell_width, cell_width, text.c_str());
    };
    const auto letter = [](std::size_t load) { return std::string(1, static_cast<char>('a' + load % 26)); };
    std::string head =
        row("    %-*s", name_width + 3, letters ? "starts | while it runs:" : "starts | while this runs:");
    for (std::size_t i = 0; i < plan.loads.size(); ++i)
        head += cell(letter(i));
    std::string out = faint(head, emphasis) + "\n";
    for (std::size_t i = 0; i < plan.loads.size(); ++i) {
        out += row("    %s  %-*.*s", letter(i).c_str(), name_width, name_width,
                   name(plans, plan.loads[i]).c_str());
        for (std::size_t j = 0; j < plan.loads.size(); ++j)
            out += cell(word(plan, i, j));
        out += "\n";
    }
    if (letters)
        return out +
               "    y: even at the same moment; t: one after the other; n: not both;\n"
               "    a: with nothing else on\n";
    return out +
           "    yes: even at the same moment; turn: one after the other; no: not both;\n"
           "    alone: with nothing else on\n";
}

std::string source_table(const Plans& plans, const SourcePlan& plan, Emphasis emphasis) {
    std::string out = strong(plans.rig.sources[plan.source].name, emphasis) + "\n";
    out += wrapped(plan.all_fit() ? "Fits: " : "Best by rank: ", names(plans.rig, plan.set));
    for (const LeftOut& left : plan.left_out)
        out += wrapped("Left out: ", left_out(plans, plan, left));
    out += steps_table(plans, plan, emphasis) + margins_table(plans, plan, emphasis);
    if (plan.running_v) out += wrapped("Line: ", line(plans, plan));
    out += bullets("Never at the same moment", never_at_once(plans, plan));
    out += bullets("Then", what_happens(plans, plan));
    out += bullets("Any one of these would make all fit", changes(plans, plan));
    if (plan.changes && changes(plans, plan).empty()) out += "  No single change would make all fit.\n";
    return out + matrix_table(plans, plan, emphasis) + "\n";
}

Json ids(const rules::Rig& rig, const Loads& loads) {
    Json list = Json::array();
    for (LoadIndex i : loads)
        list.push_back(rig.loads[i].id);
    return list;
}

Json reason_json(const Plans& plans, const SourcePlan& plan, const std::optional<rules::Reason>& reason) {
    if (!reason) return nullptr;
    return {{"kind", rules::word(reason->kind)},
            {"needed_a", reason->needed_a},
            {"available_a", reason->available_a},
            {"sentence", why(plans, plan, *reason)}};
}

Json matrix_json(const Plans& plans, const SourcePlan& plan) {
    Json cells = Json::array();
    for (std::size_t i = 0; i < plan.loads.size(); ++i)
        for (std::size_t j = 0; j < plan.loads.size(); ++j)
            cells.push_back(
                {{"starts", plans.rig.loads[plan.loads[i]].id},
                 {"running", i == j ? Json(nullptr) : Json(plans.rig.loads[plan.loads[j]].id)},
                 {"verdict", word(plan, i, j)},
                 {"why", reason_json(plans, plan, i == j ? plan.alone[i] : plan.matrix[i][j].why)}});
    return cells;
}

Json changes_json(const Plans& plans, const SourcePlan& plan) {
    if (!plan.changes) return nullptr;
    Json out{{"drop", ids(plans.rig, plan.changes->drop)},
             {"never_use", ids(plans.rig, plan.changes->unused)},
             {"smaller_start", Json::array()},
             {"sources", Json::array()}};
    for (const auto& smaller : plan.changes->smaller)
        out["smaller_start"].push_back(
            {{"load", plans.rig.loads[smaller.load].id}, {"start_a", smaller.start_a}});
    for (rules::SourceIndex s : plan.changes->sources)
        out["sources"].push_back(plans.rig.sources[s].id);
    return out;
}

Json source_json(const Plans& plans, const SourcePlan& plan) {
    const rules::Source& source = plans.rig.sources[plan.source];
    Json out{{"source", source.id},
             {"fits", plan.all_fit()},
             {"order", ids(plans.rig, plan.set)},
             {"left_out", Json::array()},
             {"steps", Json::array()},
             {"limits", Json::array()},
             {"line_v", nullptr},
             {"cannot_return", ids(plans.rig, plan.no_return)},
             {"shed", Json::array()},
             {"changes", changes_json(plans, plan)},
             {"matrix", matrix_json(plans, plan)}};
    for (const LeftOut& left : plan.left_out)
        out["left_out"].push_back(
            {{"load", plans.rig.loads[left.load].id},
             {"why", reason_json(plans, plan, left.why)},
             {"turns_with", left.turns_with ? Json(plans.rig.loads[*left.turns_with].id) : Json()},
             {"runs_at_a", left.runs_at_a ? Json(*left.runs_at_a) : Json()}});
    for (const Step& s : plan.steps) {
        out["steps"].push_back({{"load", plans.rig.loads[s.load].id},
                                {"limit", source.limits[s.limit].name},
                                {"before_a", s.before_a},
                                {"peak_a", s.peak_a},
                                {"allowed_a", s.allowed_a},
                                {"after_a", s.after_a},
                                {"line_v", s.line_v ? Json(*s.line_v) : Json(nullptr)}});
    }
    for (std::size_t l = 0; l < plan.margins.size(); ++l) {
        const Margin& m = plan.margins[l];
        out["limits"].push_back({{"limit", source.limits[l].name},
                                 {"running_a", m.running_a},
                                 {"steady_a", m.steady_a},
                                 {"peak_a", m.peak_a},
                                 {"ceiling_a", m.ceiling_a},
                                 {"lasts_s", m.lasts ? Json(rules::seconds(*m.lasts)) : Json(nullptr)}});
    }
    if (plan.running_v) out["line_v"] = *plan.running_v;
    for (const Shed& shed : plan.sheds)
        out["shed"].push_back(
            {{"when", plans.rig.loads[shed.observed].id}, {"loads", ids(plans.rig, shed.shed)}});
    return out;
}

}  // namespace

std::string word(const SourcePlan& plan, std::size_t starting, std::size_t running) {
    if (starting == running) return plan.alone[starting] ? "no" : "alone";
    switch (plan.matrix[starting][running].together) {
        case Together::at_once: return "yes";
        case Together::in_turn: return "turn";
        case Together::no: break;
    }
    return "no";
}

std::string names(const rules::Rig& rig, const Loads& loads) {
    std::string out;
    for (LoadIndex i : loads)
        out += (out.empty() ? "" : ", ") + rig.loads[i].name;
    return out.empty() ? "nothing" : out;
}

std::string why(const Plans& plans, const SourcePlan& plan, const rules::Reason& reason) {
    if (reason.kind == rules::ReasonKind::none) return "what nobody controls is too much already";
    return rules::sentence(reason, plans.rig, plan.source, rules::Instant{});
}

std::string left_out(const Plans& plans, const SourcePlan& plan, const LeftOut& left) {
    std::string out = name(plans, left.load) + ": " + why(plans, plan, left.why);
    if (left.turns_with) out += "; takes turns with " + name(plans, *left.turns_with);
    if (left.runs_at_a) out += "; turned down to " + amperes(*left.runs_at_a) + " it runs beside them";
    return out;
}

std::vector<std::string> never_at_once(const Plans& plans, const SourcePlan& plan) {
    std::vector<std::string> pairs;
    for (std::size_t i = 0; i < plan.loads.size(); ++i)
        for (std::size_t j = i + 1; j < plan.loads.size(); ++j) {
            if (plan.alone[i] || plan.alone[j]) continue;  // it starts at no moment
            const bool in_turn = plan.matrix[i][j].together == Together::in_turn ||
                                 plan.matrix[j][i].together == Together::in_turn;
            if (in_turn) pairs.push_back(name(plans, plan.loads[i]) + " and " + name(plans, plan.loads[j]));
        }
    return pairs;
}

std::vector<std::string> what_happens(const Plans& plans, const SourcePlan& plan) {
    std::vector<std::string> out;
    for (LoadIndex i : plan.no_return)
        out.push_back(name(plans, i) + ", once stopped, cannot start again while the others run.");
    for (const Shed& shed : plan.sheds)
        out.push_back(name(plans, shed.observed) +
                      (shed.shed.empty() ? " may come on, and nothing need go."
                                         : " comes on: shed for it, " + names(plans.rig, shed.shed) + "."));
    if (plan.set.empty()) return out;
    const auto last = std::max_element(plan.set.begin(), plan.set.end(), [&](LoadIndex a, LoadIndex b) {
        return plans.rig.loads[a].rank < plans.rig.loads[b].rank;
    });
    out.push_back("Of these, " + name(plans, *last) + " has the lowest rank, and is shed first.");
    return out;
}

std::vector<std::string> changes(const Plans& plans, const SourcePlan& plan) {
    if (!plan.changes) return {};
    std::vector<std::string> out;
    for (const auto& smaller : plan.changes->smaller) {
        const double start_a = plans.rig.loads[smaller.load].stages.back().start_a;
        // Rounded towards the safe side.
        const double at_most_a = static_cast<int>(smaller.start_a * 10) / 10.0;
        out.push_back("a start of " + name(plans, smaller.load) + " of at most " + amperes(at_most_a) +
                      " instead of " + amperes(start_a) + " (" + figure(100 * (1 - at_most_a / start_a), 0) +
                      " % less)");
    }
    for (LoadIndex i : plan.changes->drop)
        out.push_back("leave out " + name(plans, i));
    for (LoadIndex i : plan.changes->unused)
        out.push_back("never use " + name(plans, i) +
                      ", and take it out of the configuration: room is kept "
                      "for it");
    for (rules::SourceIndex s : plan.changes->sources)
        out.push_back("plug into " + plans.rig.sources[s].name);
    return out;
}

std::string lasts(const Margin& margin) {
    if (!margin.lasts) return "as long as you like";
    const double hours = rules::seconds(*margin.lasts) / 3600;
    return hours >= 1 ? figure(hours, 1) + " h" : figure(60 * hours, 0) + " min";
}

std::string line(const Plans& plans, const SourcePlan& plan) {
    if (!plan.running_v) return {};
    const double nominal_v = plans.rig.sources[plan.source].nominal_v;
    const double percent = 100 * (1 - *plan.running_v / nominal_v);
    std::string out = figure(*plan.running_v, 1) + " V while all of these run, " + figure(percent, 1) +
                      " % below " + figure(nominal_v, 0) + " V";
    if (percent > drop_advised_percent) out += ": more than the 5 % that NEC 210.19(A) advises";
    return out + ". A motor starts down to " + figure(plans.rig.start_minimum_v, 1) + " V.";
}

std::string table(const Plans& plans, Emphasis emphasis) {
    std::string out;
    for (const SourcePlan& plan : plans.sources)
        out += source_table(plans, plan, emphasis);
    return out +
           "Before, peak and after: through the limit with the least room for that start, and with what may\n"
           "start by itself at any moment. Measured figures decide, not plates: measure before you rely on "
           "it.\n"
           "ampmarshal is no protective device.\n";
}

std::string as_json(const Plans& plans) {
    Json out{{"rig", plans.rig.name}, {"wanted", ids(plans.rig, plans.wanted)}, {"sources", Json::array()}};
    for (const SourcePlan& plan : plans.sources)
        out["sources"].push_back(source_json(plans, plan));
    return out.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace ampmarshal::daemon::plan
