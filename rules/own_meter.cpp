// The word of a load's own meter. On a leg a step may have been anybody's; on this meter it is the load's. So
// what it says goes before what the leg was taken to mean: the books are put right by it, a load that should
// be off and draws is known at once, and no other's step is taken for this load's. The leg's meter is often
// quicker, and is not waited with: it books first, and the own meter confirms or corrects. Only where the leg
// falls by just what this load draws, nobody else explains that, and its own meter stays where it was, the
// leg is believed: a meter that is frozen must not hide that the load may start again. So it is where a start
// that was expected shows on the leg alone.
#include <algorithm>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

constexpr double runs_share = 0.5;   ///< a motor draws more than this share of its running current, or stands
constexpr double draws_share = 0.1;  ///< anything else may have tapered off this far ...
constexpr double draws_least_a = 0.3;  ///< ... but a plug with nothing on may show this much

}  // namespace

bool Marshal::Core::tells_itself(LoadIndex i) const {
    return own[i] && own[i]->heard_at && !own[i]->doubted &&
           now - *own[i]->heard_at <= loads[i].own_meter->stale_after;
}

/// So many of its stages run at this current.
std::size_t Marshal::Core::stages_at(LoadIndex i, double current_a) const {
    const Load& load = usual(i);
    const double share = load.starts_hard() || load.stages.size() > 1 ? runs_share : draws_share;
    std::size_t running = 0;
    double before_a = 0;
    for (const Stage& stage : load.stages) {
        if (current_a < before_a + std::max(draws_least_a, share * stage.running_a)) break;
        before_a += stage.running_a;
        ++running;
    }
    return running;
}

bool Marshal::Core::draws_by_own_meter(LoadIndex i) const {
    return tells_itself(i) && stages_at(i, own[i]->watch.now_a()) > 0;
}

/// Whatever has moved on its leg since then, it was not this load: its own meter has spoken, and stays where
/// it was.
bool Marshal::Core::unmoved(LoadIndex i, Instant since) const {
    if (!tells_itself(i) || own[i]->watch.moving() || tracks[i].relief) return false;
    return *own[i]->heard_at >= since + loads[i].own_meter->period &&
           stages_at(i, own[i]->watch.now_a()) == tracks[i].settled;
}

void Marshal::Core::handle_own(const MeterSample& event) {
    const LoadIndex i = *event.load;
    if (!own[i]) return;
    OwnBooks& books = *own[i];
    books.heard_at = event.at;
    const Duration window = loads[i].start_window() + 2 * loads[i].own_meter->period;
    const auto steps = books.watch.sample(event.at, event.current_a, event.peak_a, window);
    if (books.watch.moving()) {
        books.moved_at = books.watch.began();
        books.doubted = false;
        books.untold.reset();
        return;
    }
    if (books.doubted) return;
    if (steps.first && !steps.second) books.untold = steps.first;
    take_its_word(i, event.peak_a.has_value());
}

/// Each of its legs has been read since this load last moved. Until then its start stays reserved, for no
/// reading of the leg holds its current yet.
bool Marshal::Core::legs_show(LoadIndex i) const {
    return std::all_of(std::begin(all_legs), std::end(all_legs), [&](Leg leg) {
        const auto& heard_at = legs[leg].heard_at;
        const Instant shows_from = own[i]->moved_at + rig.timing.meter_period[leg];
        return !loads[i].legs.contains(leg) || (heard_at && *heard_at >= shows_from);
    });
}

/// Its own meter has just shown so much of a load that is off. Is that, with what the others' own meters
/// show, more than one of its legs carries, which was read since? What the others are only taken to draw
/// proves nothing.
bool Marshal::Core::more_than_flows(LoadIndex i, double drawn_a) const {
    const auto carries_less = [&](Leg leg) {
        if (!loads[i].legs.contains(leg) || silent(leg) || legs[leg].watch.moving()) return false;
        double told_a = drawn_a;
        for (LoadIndex other = 0; other < loads.size(); ++other)
            if (other != i && loads[other].legs.contains(leg) && tells_itself(other))
                told_a += tracks[other].drawn_a;
        return told_a > most_booked_a(leg);
    };
    return legs_show(i) && std::any_of(std::begin(all_legs), std::end(all_legs), carries_less);
}

/// The meter's current is steady. What was booked less than a period ago it may not have shown yet; but a
/// step that began after that is news.
void Marshal::Core::take_its_word(LoadIndex i, bool holds_peaks) {
    Track& track = tracks[i];
    OwnBooks& books = *own[i];
    const Duration period = loads[i].own_meter->period;
    const Instant changed_at = std::max(track.booked_at, track.switched_at + loads[i].switch_latency);
    if (books.untold && books.untold->began <= changed_at) books.untold.reset();
    if (!books.untold && now <= changed_at + period) return;
    const double level_a = books.watch.level_a();
    const std::size_t running = stages_at(i, level_a);
    const double drawn_a = running > 0 ? level_a : 0;
    if (loads[i].controlled() && !track.on && !track.stuck && !track.relief) return look_at_off(i, drawn_a);
    const double relief_a = track.relief ? track.relief->drawn_a : 0;  // off the books already
    const double change_a = drawn_a - track.drawn_a - relief_a;
    const bool dropped = track.relief && track.relief->seen && track.relief->amid_rise;
    if (running > track.settled && standing(i)) {
        if (!legs_show(i)) return;
        if (!books.untold && track.surely_fell && books.moved_at < track.booked_at) {
            books.doubted = true;
            return;
        }
        if (books.untold && may_be_locked(i, change_a, *books.untold)) return take_for_locked(i, change_a);
        if (books.untold)
            learn(i, running, *books.untold, period, holds_peaks);
        else
            pass_stop_on(i);
        accept_rise(i, running, change_a,
                    books.untold.value_or(Step{now - period, now, now, track.drawn_a, level_a, level_a}));
    } else if (running < track.settled || (track.relief && running == 0)) {
        // Its start was expected, and seen on its leg; yet here nothing has moved since long before.
        const Duration start_takes = loads[i].start_window() + 2 * period;
        if (!books.untold && track.awaited && books.moved_at + start_takes < track.booked_at) {
            books.doubted = true;
            return;
        }
        accept_fall(i, running, -change_a);
        if (books.untold) rest_unheard(i, books.untold->began - period);
    } else {
        if (!track.relief && !track.rises_until) track.drawn_a = drawn_a;
        return;
    }
    books.untold.reset();
    track.drawn_a = drawn_a;
    if (dropped) return;  // and off the level of its legs
    for (Leg leg : all_legs) {
        if (!loads[i].legs.contains(leg)) continue;
        if (!foretell(leg, change_a, books.moved_at - period, books.moved_at) && change_a > 0) reconcile(leg);
    }
}

/// For longer than a start takes its own meter has shown what only a rotor draws that is locked. Its legs
/// must show as much that is nobody else's, or the meter is frozen amid a start: then the legs are believed.
/// Where nobody can switch it off, all that is left is to keep its start reserved.
void Marshal::Core::take_for_locked(LoadIndex i, double excess_a) {
    const bool flows = std::all_of(std::begin(all_legs), std::end(all_legs), [&](Leg leg) {
        const double most_a = std::min(excess_a, unbooked_a(leg, legs[leg].watch.now_a()));
        return !loads[i].legs.contains(leg) || may_stall_at(i, leg, most_a);
    });
    if (!flows)
        own[i]->doubted = true;
    else if (can_shed(i))
        stall(i, excess_a);
}

/// It was told off a while ago. Draws it nevertheless, its relay sticks or was closed by somebody else.
void Marshal::Core::look_at_off(LoadIndex i, double drawn_a) {
    if (drawn_a == 0) {
        auto& untold = own[i]->untold;
        const bool fell = untold && untold->rise_a() < 0;
        untold.reset();
        if (loads[i].reports_switch || (tracks[i].offs_repeated == 0 && !fell)) return;
        tracks[i].offs_repeated = 0;
        unsettle(i);  // it was on until now, and rests from here
    } else if (link_up && tracks[i].asserted && !rig.observing) {
        told_off_in_vain(i, drawn_a);
    }
}

}  // namespace ampmarshal::rules
