// Adjustable loads: turned down before anything is shed, and up again last, a step at a time. `loads` holds
// what they are set to, `rig.loads` what they draw at the highest setting. One that is off stands at its
// lowest, since that is how it will start.
#include <algorithm>

#include "rules/core.h"

namespace ampmarshal::rules {

bool Marshal::Core::adjustable(LoadIndex i) const {
    return loads[i].adjustment && !tracks[i].not_adjusted && !rig.observing;
}

double Marshal::Core::setting_a(LoadIndex i) const {
    return loads[i].stages.front().running_a;
}

/// Only in the books. Whatever a start needs above the running current, it needs at every setting.
void Marshal::Core::set_to(LoadIndex i, double to_a) {
    const Stage& highest = rig.loads[i].stages.front();
    Stage& stage = loads[i].stages.front();
    stage.running_a = to_a;
    stage.start_a = to_a + highest.start_a - highest.running_a;
}

void Marshal::Core::set_lowest(LoadIndex i) {
    if (adjustable(i)) set_to(i, loads[i].adjustment->least_a);
}

void Marshal::Core::set_highest(LoadIndex i) {
    if (loads[i].adjustment) set_to(i, rig.loads[i].stages.front().running_a);
}

/// As `set_to`, for a load that is on and part of the prospect.
void Marshal::Core::set_in(Prospect& p, LoadIndex i, double to_a, double drawn_a) {
    take_off(p, i);
    set_to(i, to_a);
    tracks[i].drawn_a = std::min(drawn_a, to_a);
    put_on(p, i);
}

/// Takes every adjustable load that is on, and would go after `first` if there is one, to its lowest setting,
/// in the books only. `raise_again` must follow.
void Marshal::Core::lower(Prospect& p, std::optional<LoadIndex> first) {
    lowered.clear();
    for (LoadIndex i : by_rank) {
        if (!adjustable(i) || !can_shed(i) || (first && !goes_before(*first, i))) continue;
        lowered.push_back({i, setting_a(i), tracks[i].drawn_a});
        set_in(p, i, std::min(setting_a(i), loads[i].adjustment->least_a), tracks[i].drawn_a);
    }
}

/// The next lower setting.
double Marshal::Core::below(LoadIndex i, double from_a) const {
    const Adjustment& by = *loads[i].adjustment;
    const bool next_is_lowest = from_a - by.step_a < by.least_a + 0.5 * by.step_a;
    return next_is_lowest ? by.least_a : from_a - by.step_a;
}

/// The books say so already; here it is told, and its effect expected.
void Marshal::Core::turn_down(const Lowered& before, const Reason& why) {
    const LoadIndex i = before.load;
    Track& track = tracks[i];
    track.reason = why;
    track.reason.kind = ReasonKind::turned_down;
    track.adjusted_at = now;
    if (track.drawn_a >= setting_a(i)) track.rises_until.reset();
    expect_fall(i, before.drawn_a - track.drawn_a);
    track.settles_at = now + reaction;
    actions.push_back(Adjust{i, setting_a(i), track.reason});
}

/// One load by one step, if all that waits for its turn, and then the step, fit with a margin.
void Marshal::Core::turn_up(const Prospect& p) {
    for (LoadIndex i : by_rank) {
        Track& track = tracks[i];
        const double highest_a = rig.loads[i].running_a();
        if (!adjustable(i) || !can_shed(i) || track.settled == 0 || setting_a(i) >= highest_a) continue;
        if (track.rises_until || track.relief || now - track.adjusted_at < loads[i].adjustment->every)
            continue;
        const double step_a = loads[i].adjustment->step_a;
        const double next_a = setting_a(i) + step_a;
        const double to_a = next_a > highest_a - 0.5 * step_a ? highest_a : next_a;
        Prospect raised = p;
        raised.take_off(loads[i].legs, track.drawn_a - to_a);
        if (misfit(*source(), theta(), raised, to_join, loads[i].legs) ||
            over_steady(*source(), theta(), raised.base_a, loads[i].legs) ||
            misfit(*source(), after_a_while(*source(), theta(), raised, sustained, warm_theta), raised,
                   to_last))
            continue;
        set_to(i, to_a);
        track.adjusted_at = now;
        track.rises_until = now + loads[i].switch_latency + loads[i].start_window() +
                            3 * rig.timing.meter_period[loads[i].legs.first()];
        track.reason = {.kind = ReasonKind::turned_up};
        actions.push_back(Adjust{i, to_a, track.reason});
        return;
    }
}

/// Turned down, and nothing has fallen. Either it does not follow, or it drew less than it was set to all the
/// time, as a charger does whose battery is nearly full. Until it is switched off nobody knows: it counts as
/// what it can draw at most, and is not relied on to be turned down.
void Marshal::Core::doubt_adjusting(LoadIndex i) {
    Track& track = tracks[i];
    track.drawn_a += track.relief->drawn_a;
    track.relief.reset();
    track.rises_until.reset();
    track.not_adjusted = true;
    set_highest(i);
}

/// It was switched off: what fell then tells whether it had followed.
void Marshal::Core::learn_whether_adjusted(LoadIndex i, bool fell) {
    Track& track = tracks[i];
    if (!track.not_adjusted || track.on) return;
    if (fell) {
        raise(AlertKind::not_adjusted, i, {.kind = ReasonKind::turned_down});
    } else {
        track.not_adjusted = false;
        set_lowest(i);
    }
}

}  // namespace ampmarshal::rules
