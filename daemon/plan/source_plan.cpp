#include "daemon/plan/source_plan.h"

#include <algorithm>
#include <iterator>

namespace ampmarshal::daemon::plan {

using rules::Leg;
using rules::Load;
using rules::LoadIndex;
using rules::Prospect;

namespace {

constexpr int halvings = 12;  // of a start current: finer than any meter

bool has(const Loads& set, LoadIndex load) {
    return std::find(set.begin(), set.end(), load) != set.end();
}

Loads in_order_of_rank(const rules::Rig& rig) {
    Loads all;
    for (LoadIndex i = 0; i < rig.loads.size(); ++i)
        all.push_back(i);
    std::stable_sort(all.begin(), all.end(), [&](LoadIndex a, LoadIndex b) {
        const Load& one = rig.loads[a];
        const Load& other = rig.loads[b];
        return one.controlled() != other.controlled() ? one.controlled() : one.rank < other.rank;
    });
    return all;
}

Cell cell(const Planner& planner, LoadIndex starting, LoadIndex running) {
    const Loads on{running};
    if (const auto why = planner.start(starting, on)) return {Together::no, why};
    if (const auto why = planner.stay(Loads{running, starting})) return {Together::no, why};
    const bool at_once = !planner.start(starting, {}, on) && !planner.start(running, {}, Loads{starting});
    return {at_once ? Together::at_once : Together::in_turn};
}

double lowest_v(const Planner& planner, rules::LegSet legs, const rules::PerLeg<double>& current_a) {
    double lowest = planner.source().nominal_v;
    for (Leg leg : rules::all_legs)
        if (legs.contains(leg)) lowest = std::min(lowest, planner.line_v(leg, current_a));
    return lowest;
}

/// The limit at which the largest share of what is allowed is used.
Step step_of(const Planner& planner, const Loads& running, LoadIndex load) {
    const Prospect p = planner.prospect(running, Loads{load});
    const std::vector<double> theta = planner.heat(running);
    Loads then = running;
    then.push_back(load);
    const Prospect after = planner.prospect(then, {});
    Step tightest{load, 0, 0, 0, 0, 0};
    bool found = false;
    std::size_t image = 0;
    const auto& limits = planner.source().limits;
    for (std::size_t l = 0; l < limits.size(); ++l) {
        const std::span own(theta.data() + image, limits[l].images.size());
        image += limits[l].images.size();
        const Step step{.load = load,
                        .limit = l,
                        .before_a = p.base_through(limits[l]),
                        .peak_a = p.peak_through(limits[l]),
                        .allowed_a = rules::most_for(limits[l], own, p.window, rules::to_join),
                        .after_a = after.base_through(limits[l])};
        const bool touches = step.after_a > step.before_a;
        if (touches && (!found || step.peak_a * tightest.allowed_a > tightest.peak_a * step.allowed_a)) {
            tightest = step;
            found = true;
        }
    }
    if (planner.surroundings().loop_ohm > 0) {
        rules::PerLeg<double> worst_a = p.base_a;
        for (Leg leg : rules::all_legs)
            worst_a[leg] += p.peak_a[leg];
        tightest.line_v = lowest_v(planner, planner.rig().loads[load].legs, worst_a);
    }
    return tightest;
}

void add_steps(SourcePlan& plan, const Planner& planner) {
    const auto& limits = planner.source().limits;
    for (const rules::Limit& limit : limits)
        plan.margins.push_back({.running_a = planner.prospect(plan.set, {}).base_through(limit),
                                .steady_a = limit.steady_a,
                                .peak_a = 0,
                                .ceiling_a = limit.ceiling_a});
    Loads running;
    for (LoadIndex i : plan.set) {
        if (planner.rig().loads[i].controlled()) {
            plan.steps.push_back(step_of(planner, running, i));
            const Prospect p = planner.prospect(running, Loads{i});
            for (std::size_t l = 0; l < limits.size(); ++l)
                plan.margins[l].peak_a = std::max(plan.margins[l].peak_a, p.peak_through(limits[l]));
        }
        running.push_back(i);
    }
    for (std::size_t l = 0; l < limits.size(); ++l)
        for (const rules::ThermalImage& image : limits[l].images) {
            const auto lasts = image.time_to_trip(0, plan.margins[l].running_a);
            if (lasts && (!plan.margins[l].lasts || *lasts < *plan.margins[l].lasts))
                plan.margins[l].lasts = lasts;
        }
    if (planner.surroundings().loop_ohm > 0)
        plan.running_v = lowest_v(planner, planner.rig().legs, planner.prospect(plan.set, {}).base_a);
}

void add_what_happens_then(SourcePlan& plan, const Planner& planner) {
    for (LoadIndex i : plan.set)
        if (planner.rig().loads[i].controlled() && planner.start(i, without(plan.set, i)))
            plan.no_return.push_back(i);
    for (LoadIndex i : plan.loads) {
        if (planner.rig().loads[i].controlled() || has(plan.set, i)) continue;
        Loads on = plan.set;
        on.push_back(i);
        plan.sheds.push_back({i, planner.shed_of(on)});
    }
}

/// The largest start of the load's last stage with which all that is wanted fits.
std::optional<double> smaller_start_a(const Planner& planner, const Loads& wanted, LoadIndex load) {
    rules::Rig rig = planner.rig();
    rules::Stage& stage = rig.loads[load].stages.back();
    const Planner changed(rig, planner.source_index(), planner.surroundings());
    double fits_a = stage.running_a;
    double too_much_a = stage.start_a;
    stage.start_a = fits_a;
    if (!changed.order(wanted)) return std::nullopt;
    for (int i = 0; i < halvings; ++i) {
        stage.start_a = (fits_a + too_much_a) / 2;
        (changed.order(wanted) ? fits_a : too_much_a) = stage.start_a;
    }
    return fits_a;
}

/// All that is wanted fits, were nobody to use this load.
bool fits_unused(const Planner& planner, const Loads& wanted, LoadIndex observed) {
    rules::Rig rig = planner.rig();
    for (rules::Stage& stage : rig.loads[observed].stages)
        stage.start_a = stage.running_a = 0;
    return Planner(rig, planner.source_index(), planner.surroundings()).order(wanted).has_value();
}

/// As it was turned down: on top of what ranks higher.
rules::Reason why_left_out(const Planner& planner, Loads set, LoadIndex load) {
    const auto& loads = planner.rig().loads;
    std::erase_if(set,
                  [&](LoadIndex i) { return loads[i].controlled() && loads[i].rank > loads[load].rank; });
    if (const auto why = planner.start(load, set)) return *why;
    set.push_back(load);
    return planner.stay(set).value_or(rules::Reason{});
}

std::optional<LoadIndex> turns_with(const Planner& planner, const Loads& set, LoadIndex load) {
    const auto& loads = planner.rig().loads;
    if (loads[load].rotation.empty()) return std::nullopt;
    const auto mate = std::find_if(set.begin(), set.end(), [&](LoadIndex i) {
        return loads[i].rotation == loads[load].rotation && !planner.start(load, without(set, i));
    });
    return mate == set.end() ? std::nullopt : std::optional(*mate);
}

/// The highest of its settings at which it runs beside the set.
std::optional<double> runs_at_a(const Planner& planner, Loads set, LoadIndex load) {
    rules::Rig rig = planner.rig();
    const auto& adjustment = rig.loads[load].adjustment;
    if (!adjustment) return std::nullopt;
    rules::Stage& stage = rig.loads[load].stages.front();
    const double above_a = stage.start_a - stage.running_a;
    const Planner changed(rig, planner.source_index(), planner.surroundings());
    const Loads beside = set;
    set.push_back(load);
    while (stage.running_a > adjustment->least_a) {
        stage.running_a = std::max(adjustment->least_a, stage.running_a - adjustment->step_a);
        stage.start_a = stage.running_a + above_a;
        if (!changed.start(load, beside) && !changed.stay(set)) return stage.running_a;
    }
    return std::nullopt;
}

Changes changes_for(const Planner& planner, const Loads& wanted) {
    Changes changes;
    for (LoadIndex i : wanted) {
        if (planner.order(without(wanted, i))) changes.drop.push_back(i);
        if (!planner.rig().loads[i].starts_hard()) continue;
        if (const auto start_a = smaller_start_a(planner, wanted, i))
            changes.smaller.push_back({i, *start_a});
    }
    for (LoadIndex i = 0; i < planner.rig().loads.size(); ++i)
        if (!planner.rig().loads[i].controlled() && !has(wanted, i) && fits_unused(planner, wanted, i))
            changes.unused.push_back(i);
    for (rules::SourceIndex s = 0; s < planner.rig().sources.size(); ++s) {
        // Behind the same cord.
        if (s != planner.source_index() && Planner(planner.rig(), s, planner.surroundings()).order(wanted))
            changes.sources.push_back(s);
    }
    return changes;
}

}  // namespace

SourcePlan make_plan(const Planner& planner, const Loads& wanted) {
    SourcePlan plan;
    plan.source = planner.source_index();
    plan.loads = in_order_of_rank(planner.rig());
    for (LoadIndex starting : plan.loads) {
        plan.alone.push_back(planner.start(starting, {}));
        plan.matrix.emplace_back();
        for (LoadIndex running : plan.loads)
            plan.matrix.back().push_back(starting == running ? Cell{Together::no}
                                                             : cell(planner, starting, running));
    }
    const Loads best = planner.best(wanted);
    plan.set = planner.order(best).value_or(Loads{});
    for (LoadIndex i : plan.loads)
        if (has(wanted, i) && !has(plan.set, i))
            plan.left_out.push_back({i, why_left_out(planner, plan.set, i), turns_with(planner, plan.set, i),
                                     runs_at_a(planner, plan.set, i)});
    add_steps(plan, planner);
    add_what_happens_then(plan, planner);
    if (!plan.all_fit()) plan.changes = changes_for(planner, wanted);
    return plan;
}

}  // namespace ampmarshal::daemon::plan
