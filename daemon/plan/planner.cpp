#include "daemon/plan/planner.h"

#include <algorithm>

namespace ampmarshal::daemon::plan {

using rules::Leg;
using rules::Load;
using rules::LoadIndex;
using rules::PerLeg;
using rules::Prospect;
using rules::Reason;
using rules::ReasonKind;

namespace {

bool has(LoadSpan set, LoadIndex load) {
    return std::find(set.begin(), set.end(), load) != set.end();
}

}  // namespace

Loads without(LoadSpan set, LoadIndex load) {
    Loads rest(set.begin(), set.end());
    std::erase(rest, load);
    return rest;
}

Planner::Planner(const rules::Rig& rig, rules::SourceIndex source, Surroundings surroundings)
    : rig_(rig), index_(source), surroundings_(surroundings) {
    rules::Duration slowest_switch{};
    for (LoadIndex i = 0; i < rig.loads.size(); ++i) {
        if (!rig.loads[i].controlled()) continue;
        by_rank_.push_back(i);
        slowest_switch = std::max(slowest_switch, rig.loads[i].switch_latency);
    }
    std::sort(by_rank_.begin(), by_rank_.end(),
              [&](LoadIndex a, LoadIndex b) { return rig.loads[a].rank < rig.loads[b].rank; });
    reaction_ = std::max(rig.timing.meter_period[Leg::l1], rig.timing.meter_period[Leg::l2]) +
                rig.timing.decision + slowest_switch;
}

PerLeg<double> Planner::flowing_a(LoadSpan running) const {
    PerLeg<double> sum_a;
    add(sum_a, rig_.legs, surroundings_.background_a);
    for (LoadIndex i : running)
        add(sum_a, rig_.loads[i].legs, rig_.loads[i].running_a());
    return sum_a;
}

Prospect Planner::prospect(LoadSpan running, LoadSpan starting) const {
    Prospect p{};
    p.measured_a = p.base_a = flowing_a(running);
    p.reaction = reaction_;
    for (LoadIndex i = 0; i < rig_.loads.size(); ++i) {
        const Load& load = rig_.loads[i];
        const bool may_start = has(starting, i) || (!load.controlled() && !has(running, i));
        if (may_start) p.reserve(load.legs, load.start_a(0), load.running_a(), load.start_window());
    }
    return p;
}

std::vector<double> Planner::warmed(std::vector<double> theta, const Prospect& prospect) const {
    after_a_while(source(), theta, prospect, rules::sustained, theta);
    return theta;
}

std::vector<double> Planner::heat(LoadSpan running) const {
    std::size_t images = 0;
    for (const rules::Limit& limit : source().limits)
        images += limit.images.size();
    return warmed(std::vector<double>(images, 0.0), prospect(running, {}));
}

double Planner::line_v(Leg leg, const PerLeg<double>& current_a) const {
    // One conductor feeds both legs of an adapter, and carries what both draw.
    const double through_a =
        source().feed == rules::Feed::two_legs ? current_a[leg] : current_a[Leg::l1] + current_a[Leg::l2];
    return source().nominal_v - surroundings_.loop_ohm * through_a;
}

std::optional<Reason> Planner::sags(const Load& load, const Prospect& prospect) const {
    if (!load.starts_hard() || surroundings_.loop_ohm <= 0) return std::nullopt;
    PerLeg<double> worst_a = prospect.base_a;
    for (Leg leg : rules::all_legs)
        worst_a[leg] += prospect.peak_a[leg];
    for (Leg leg : rules::all_legs) {
        const double foreseen_v = line_v(leg, worst_a);
        if (!load.legs.contains(leg) || foreseen_v >= rig_.start_minimum_v) continue;
        return Reason{.kind = ReasonKind::voltage_too_low,
                      .leg = leg,
                      .line_v = foreseen_v,
                      .minimum_v = rig_.start_minimum_v};
    }
    return std::nullopt;
}

std::optional<Reason> Planner::start(LoadIndex load, LoadSpan running, LoadSpan standing) const {
    const Load& own = rig_.loads[load];
    if (!source().serves(own.legs)) return Reason{.kind = ReasonKind::not_served};
    Loads starting(standing.begin(), standing.end());
    starting.push_back(load);
    const Prospect all = prospect(running, starting);
    if (const auto why = sags(own, all)) return why;

    // Lower ranks that run do not count for what may stay on: they would go first.
    Loads kept;
    for (const auto set : {running, standing})
        std::copy_if(set.begin(), set.end(), std::back_inserter(kept), [&](LoadIndex i) {
            return !rig_.loads[i].controlled() || !own.controlled() || rig_.loads[i].rank < own.rank;
        });
    kept.push_back(load);
    const std::vector<double> theta = heat(running);
    if (const auto why = over_steady(source(), theta, flowing_a(kept), own.legs)) return reason_of(*why);

    Loads then(running.begin(), running.end());
    then.push_back(load);
    const Prospect later = prospect(then, standing);
    if (const auto why = misfit(source(), warmed(theta, later), later, rules::to_last, own.legs))
        return reason_of(*why);
    const auto why = misfit(source(), theta, all, rules::to_join, own.legs);
    return why ? std::optional(reason_of(*why)) : std::nullopt;
}

std::optional<Reason> Planner::stay(LoadSpan running) const {
    for (LoadIndex i : running)
        if (!source().serves(rig_.loads[i].legs)) return Reason{.kind = ReasonKind::not_served};
    const std::vector<double> cold(heat(running).size(), 0.0);
    if (const auto why = over_steady(source(), cold, flowing_a(running))) return reason_of(*why);
    const auto why = misfit(source(), heat(running), prospect(running, {}), rules::to_last);
    return why ? std::optional(reason_of(*why)) : std::nullopt;
}

std::optional<Loads> Planner::order(LoadSpan set) const {
    if (stay(set)) return std::nullopt;
    Loads on(set.begin(), set.end());
    // From the end, the lowest rank last where it can be: who matters most comes first.
    std::sort(on.begin(), on.end(), [&](LoadIndex a, LoadIndex b) {
        const Load& one = rig_.loads[a];
        const Load& other = rig_.loads[b];
        return one.controlled() != other.controlled() ? other.controlled() : one.rank < other.rank;
    });
    Loads reversed;
    while (!on.empty() && rig_.loads[on.back()].controlled()) {
        const auto last = std::find_if(on.rbegin(), on.rend(), [&](LoadIndex i) {
            return rig_.loads[i].controlled() && !start(i, without(on, i));
        });
        if (last == on.rend()) return std::nullopt;
        reversed.push_back(*last);
        std::erase(on, reversed.back());
    }
    on.insert(on.end(), reversed.rbegin(), reversed.rend());
    return on;
}

Loads Planner::best(LoadSpan wanted) const {
    Loads kept;
    for (LoadIndex i : wanted)
        if (!rig_.loads[i].controlled()) kept.push_back(i);
    for (LoadIndex i : by_rank_) {
        if (!has(wanted, i)) continue;
        kept.push_back(i);
        if (!order(kept)) kept.pop_back();
    }
    return kept;
}

Loads Planner::shed_of(LoadSpan running) const {
    const auto too_much = [&](LoadSpan on) {
        const Prospect p = prospect(on, {});
        for (const rules::Limit& limit : source().limits)
            if (p.base_through(limit) > limit.steady_a) return true;
        return misfit(source(), heat(on), p, rules::to_stay).has_value();
    };
    Loads kept;
    Loads shed;
    for (LoadIndex i : running)
        if (!rig_.loads[i].controlled()) kept.push_back(i);
    for (LoadIndex i : by_rank_) {
        if (!has(running, i)) continue;
        kept.push_back(i);
        if (!too_much(kept)) continue;
        kept.pop_back();
        shed.push_back(i);
    }
    return shed;
}

}  // namespace ampmarshal::daemon::plan
