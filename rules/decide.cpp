// The decisions. First what must go goes: loads that may not run, then, if the standing worst case no longer
// fits, permits nobody uses, then loads from the lowest rank up. Then what may start is granted, from the
// highest rank down.
#include <algorithm>
#include <cmath>
#include <utility>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr Duration considers_every = 200ms;
constexpr Duration cools_for = 20s;        ///< room that is made may take this long to let a hot image cool
constexpr Duration confirmed_within = 3s;  ///< beyond the reaction time, for room that is being made
constexpr Duration calm_for = 10s;         ///< an overload is over when nothing has been too much for so long
constexpr Duration lasting_run = 10min;    ///< a load that was shed after less than this was back too soon
constexpr int sheds_in_a_row_max = 4;      ///< the wait doubles so often at most

bool take_turns(const Load& a, const Load& b) {
    return !a.rotation.empty() && a.rotation == b.rotation;
}

}  // namespace

/// What must go goes at once. Who may start can wait a moment: on a quiet line that is looked at less often.
void Marshal::Core::decide(bool quiet) {
    check_reliefs();
    check_due();
    retry_stalled();
    end_preferences();
    note_perhaps();
    if (link_up) {
        switch_off_unwanted();
        if (source() && !listening()) shed_what_must_go();
    }
    if (quiet && actions.empty() && now - considered_at < considers_every) return;
    considered_at = now;
    if (link_up) {
        assert_switches();
        ask_the_mute_again();
        tell_the_unwilling_again();
    }
    grant_what_may_start();
    update_states();
    warn_of_silence();
    begin_calm();
}

std::optional<Reason> Marshal::Core::must_not_run(LoadIndex i) const {
    const Track& track = tracks[i];
    if (stopped) return Reason{.kind = ReasonKind::stopped_by_person};
    if (track.held) return Reason{.kind = ReasonKind::held_by_person};
    if (track.lockout == Lockout::stall)
        return Reason{.kind = ReasonKind::locked_out_stall, .until = track.not_before};
    if (track.lockout == Lockout::disobedience) return Reason{.kind = ReasonKind::locked_out_disobedience};
    if (track.lockout == Lockout::neutral) return Reason{.kind = ReasonKind::locked_out_neutral};
    if (!track.wanted) return Reason{.kind = ReasonKind::not_wanted};
    if (!source()) return Reason{.kind = ReasonKind::waits_for_source};
    if (!source()->serves(loads[i].legs)) return Reason{.kind = ReasonKind::not_served};
    if (any_dead()) return Reason{.kind = ReasonKind::supply_lost};
    if (battery_low) return Reason{.kind = ReasonKind::battery_low};
    return std::nullopt;
}

void Marshal::Core::switch_off_unwanted() {
    for (LoadIndex i : by_rank) {
        if (!can_shed(i)) continue;
        if (const auto why = must_not_run(i)) switch_off(i, *why);
    }
}

void Marshal::Core::note_flowing(const Prospect& p, Duration passed) {
    const Source& s = *source();
    for (std::size_t l = 0; l < s.limits.size(); ++l)
        limit_books[l].over_steady.note(p.base_through(s.limits[l]) > s.limits[l].steady_a, passed);
    update_warnings(passed, p);
}

void Marshal::Core::note_time(Duration passed) {
    if (!source() || passed <= Duration::zero()) return;
    note_flowing(flowing(true), passed);
    warn_of_tight_starts(passed);
}

bool Marshal::Core::steady_spent() const {
    return std::any_of(limit_books.begin(), limit_books.end(), [&](const LimitBooks& books) {
        return books.over_steady.reached(rig.timing.steady_grace);
    });
}

/// Through the limits that touch `of`.
std::optional<Misfit> Marshal::Core::stays_misfit(const Prospect& p, bool with_steady, LegSet of) const {
    const Source& s = *source();
    if (auto found = misfit(s, theta(), p, to_stay, of)) return found;
    for (std::size_t l = 0; with_steady && l < s.limits.size(); ++l) {
        if (!s.limits[l].legs.touches(of)) continue;
        const double base_a = p.base_through(s.limits[l]);
        if (base_a > s.limits[l].steady_a)
            return Misfit{ReasonKind::steady_full, l, base_a, s.limits[l].steady_a};
    }
    return std::nullopt;
}

void Marshal::Core::shed_what_must_go() {
    Prospect p = prospect(true);
    const bool with_steady = steady_spent();
    const auto why = stays_misfit(p, with_steady);
    if (!why) {
        too_much_since.reset();
        if (misfit_at && now - *misfit_at >= calm_for) clear(AlertKind::overload, std::nullopt);
        return;
    }
    misfit_at = now;
    lower(p, std::nullopt);
    if (stays_misfit(p, with_steady) && !withdraw_unused(p)) walk_and_shed(p, with_steady);
    // What is turned down at all is turned down to what can stay on.
    raise_again(p, reason_of(*why), [&] { return !stays_misfit(p, true); });
}

/// From the highest rank down, each as far up as everything still fits. What stays lower is told so. Returns
/// one that was turned down, if any.
template <class Fits>
std::optional<LoadIndex> Marshal::Core::raise_again(Prospect& p, const Reason& why, Fits fits) {
    std::optional<LoadIndex> turned;
    for (const Lowered& before : lowered) {
        const LoadIndex i = before.load;
        if (!tracks[i].on) {  // switched off meanwhile: all it drew will fall, not only its lowest setting
            if (tracks[i].relief) tracks[i].relief->drawn_a = before.drawn_a;
            continue;
        }
        const double lowest_a = setting_a(i);
        double to_a = before.setting_a;
        set_in(p, i, to_a, before.drawn_a);
        while (to_a > lowest_a && !fits()) {
            to_a = below(i, to_a);
            set_in(p, i, to_a, before.drawn_a);
        }
        if (to_a == before.setting_a) continue;
        turn_down(before, why);
        turned = i;
    }
    lowered.clear();
    return turned;
}

/// Takes back permits that nobody uses at the moment, if that is enough: rather that than stopping what runs.
bool Marshal::Core::withdraw_unused(Prospect& kept) {
    Prospect p = kept;
    const auto unused = [&](LoadIndex i) {
        return can_shed(i) && loads[i].control == Control::permitted && tracks[i].settled == 0 &&
               !tracks[i].stage_due && !any_silent();
    };
    for (LoadIndex i : by_rank)
        if (unused(i)) take_off(p, i);
    if (stays_misfit(p, false)) return false;
    bool withdrew = false;
    for (LoadIndex i : by_rank) {
        if (!unused(i)) continue;
        put_on(p, i);
        const auto why = stays_misfit(p, false);
        if (!why) continue;
        take_off(p, i);
        Reason reason = reason_of(*why);
        reason.kind = ReasonKind::shed_worst_case;
        switch_off(i, reason);
        withdrew = true;
    }
    if (withdrew) kept = p;
    return withdrew;
}

ReasonKind Marshal::Core::shed_kind(const Prospect& before, const Misfit& why) const {
    if (why.kind == ReasonKind::steady_full) return ReasonKind::shed_steady;
    Prospect measured;
    measured.measured_a = measured.base_a = before.measured_a;
    measured.reaction = before.reaction;
    const auto already = misfit(*source(), theta(), measured, to_stay);
    if (!already) return ReasonKind::shed_worst_case;
    return already->kind == ReasonKind::start_over_ceiling ? ReasonKind::shed_ceiling : ReasonKind::shed_heat;
}

/// From the highest rank to the lowest, keep every load that still fits with those kept so far: a higher rank
/// is never shed where lower ones are enough, and nothing is shed needlessly, or for a leg it is not on.
/// Where nothing is in danger yet, what a load may well draw counts as its own; there is time to see whether
/// it was.
void Marshal::Core::walk_and_shed(Prospect& p, bool with_steady) {
    const Prospect before = p;
    const bool in_time = !stays_misfit(p, false);
    bool shed_any = false;
    bool guessed = false;
    for (LoadIndex i : by_rank)
        if (can_shed(i)) in_time ? take_off_perhaps(p, i) : take_off(p, i);
    for (LoadIndex i : by_rank) {
        if (!can_shed(i)) continue;
        in_time ? put_on_perhaps(p, i) : put_on(p, i);
        const auto why = stays_misfit(p, with_steady, loads[i].legs);
        if (!why) continue;
        in_time ? take_off_perhaps(p, i) : take_off(p, i);
        guessed |= in_time && tracks[i].perhaps_a > 0;
        Reason reason = reason_of(*why);
        reason.kind = shed_kind(before, *why);
        switch_off(i, reason);
        shed_any = true;
    }
    for (LimitBooks& books : limit_books)
        if (guessed) books.over_steady.fill(rig.timing.steady_grace - reaction);
    if (shed_any) return;
    const auto why = stays_misfit(p, with_steady);
    if (!why) return;
    raise(AlertKind::overload, std::nullopt, reason_of(*why));
    tell_all_again();
}

std::optional<LoadIndex> Marshal::Core::start_under_way() const {
    int starts = 0;
    std::optional<LoadIndex> one;
    for (LoadIndex i : by_rank) {
        if (!start_in_flight(i)) continue;
        ++starts;
        one = i;
    }
    return starts >= rig.timing.starts_at_once ? one : std::nullopt;
}

/// Why this load cannot be granted whatever room there is.
std::optional<Reason> Marshal::Core::kept_back(LoadIndex i) const {
    const Load& load = loads[i];
    const Track& track = tracks[i];
    if (const auto why = must_not_run(i)) return why;
    if (!link_up) return Reason{.kind = ReasonKind::waits_for_link};
    if (any_silent()) return Reason{.kind = ReasonKind::waits_for_meter};
    if (source()->low_battery && !battery_percent) return Reason{.kind = ReasonKind::waits_for_battery};
    if (!track.asserted || !track.heard) return Reason{.kind = ReasonKind::waits_for_switch};
    if (track.not_before && now < *track.not_before) {
        Reason why = track.reason;  // of the shed or the failed start
        why.until = track.not_before;
        return why;
    }
    if (track.relief && !track.relief->seen)
        return Reason{.kind = ReasonKind::recovers, .until = track.relief->judged_at};
    const Instant rested_at = track.stopped_at + load.minimum_off;
    if (now < rested_at) return Reason{.kind = ReasonKind::rests, .until = rested_at};
    return std::nullopt;
}

/// Once everything runs, is this load among those that the steady limits keep? A load that may be paused at
/// any time is also fine if there is room right now.
std::optional<Misfit> Marshal::Core::steady_misfit(LoadIndex i, const Company& with) const {
    const Load& load = loads[i];
    const auto check = [&](PerLeg<double> current_a) {
        add(current_a, load.legs, load.running_a());
        return over_steady(*source(), theta(), current_a, load.legs);
    };
    auto found = check(with.kept_a);
    if (found && load.minimum_on == Duration::zero() && !check(with.flowing_a)) return std::nullopt;
    return found;
}

/// Once this load runs and every image has taken that in, does all that may still start fit? Otherwise the
/// load would be taken off again as soon as the source has warmed up.
std::optional<Misfit> Marshal::Core::lasting_misfit(LoadIndex i, Prospect p, std::span<const double> heat) {
    p.take_off(loads[i].legs, -loads[i].running_a());
    return misfit(*source(), after_a_while(*source(), heat, p, sustained, warm_theta), p, to_last,
                  loads[i].legs);
}

std::optional<Reason> Marshal::Core::cannot_join(LoadIndex i, const Company& with,
                                                 std::span<const double> heat) {
    if (const auto sag = sags_too_low(i, with.p)) return sag;
    if (const auto found = steady_misfit(i, with)) return reason_of(*found);
    const Load& load = loads[i];
    Prospect p = with.p;
    p.reserve(load.legs, load.start_a(0), load.running_a(), load.start_window());
    for (const auto& other : {with.doubted[Leg::l1], with.doubted[Leg::l2]})
        if (other) p.reserve(loads[*other].legs, loads[*other].start_a(0), 0, loads[*other].start_window());
    if (const auto found = misfit(*source(), heat, p, to_join, load.legs)) return reason_of(*found);
    if (const auto found = lasting_misfit(i, with.p, heat)) return reason_of(*found);
    return std::nullopt;
}

/// Nobody kept yet but the uncontrolled, and what may well be drawn by a load that can be shed is not.
Marshal::Core::Company Marshal::Core::company() const {
    Company with{prospect(false), uncontrolled_a(), {}};
    with.flowing_a = with.kept_a;
    for (LoadIndex i : by_rank) {
        const Track& track = tracks[i];
        if (!may_be_on(i)) continue;
        add(with.kept_a, loads[i].legs, -track.perhaps_a);
        if (perhaps_starts(i) && !starts_after_all(i))  // else it is reserved already
            with.p.reserve(loads[i].legs, loads[i].start_a(track.settled - 1), 0, loads[i].start_window());
        // Just granted, or switched on and not seen to draw yet: it is about to draw all.
        const bool about_to = track.stage_due || loads[i].control == Control::switched;
        add(with.flowing_a, loads[i].legs, about_to ? total_run_a(i) - track.perhaps_a : track.drawn_a);
    }
    for (Leg leg : all_legs)
        with.kept_a[leg] = std::max(0.0, with.kept_a[leg]);
    note_doubted(with);
    return with;
}

/// What nobody controls can start whenever it likes, and not be shed. Where it is taken to run, but another
/// may have made the start that it was booked for, or its own stop was booked to another, its start stays
/// reserved against who would join.
void Marshal::Core::note_doubted(Company& with) const {
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const bool runs = !loads[i].controlled() && tracks[i].settled == loads[i].stages.size();
        if (!runs || tells_itself(i) || (tracks[i].sure && !tracks[i].or_else)) continue;
        auto& worst = with.doubted[loads[i].legs.first()];
        if (!worst || loads[i].start_a(0) > loads[*worst].start_a(0)) worst = i;
    }
}

/// Who may stand in another load's way for the sake of turns. Looked up once, so that the cost of a decision
/// stays linear in the loads.
void Marshal::Core::note_claims() {
    claimants.clear();
    pushed_lately.clear();
    for (LoadIndex i : by_rank) {
        Track& track = tracks[i];
        if (track.claim_until && now >= *track.claim_until) track.claim_until.reset();
        if (track.claim_until) claimants.push_back(i);
        if (track.pushed_by && now < track.pushed_at + rig.timing.dwell && can_shed(i))
            pushed_lately.push_back(i);
    }
}

/// One pass from the highest rank to the lowest. The company grows by what is granted on the way, and by what
/// is promised to a higher rank: a lower one must not take it meanwhile.
void Marshal::Core::grant_what_may_start() {
    note_claims();
    Company with = company();
    auto starting = start_under_way();
    bool stopping = stop_in_flight();
    const std::size_t room_turn = std::exchange(next_room_turn, 0);
    std::optional<std::size_t> tried;
    const auto promise = [&](LoadIndex i) {
        const Load& load = loads[i];
        with.p.reserve(load.legs, load.start_a(0), load.running_a(), load.start_window());
        add(with.kept_a, load.legs, load.running_a());
    };
    for (std::size_t turn = 0; turn < by_rank.size(); ++turn) {
        const LoadIndex i = by_rank[turn];
        Track& track = tracks[i];
        if (may_be_on(i)) {
            add(with.kept_a, loads[i].legs, total_run_a(i));
            continue;
        }
        if (const auto why = kept_back(i)) {
            track.claim_until.reset();
            track.reason = *why;
            continue;
        }
        if (starting) {
            track.reason = {.kind = ReasonKind::another_start, .other = starting};
            promise(i);
            continue;
        }
        if (any_moving() || stopping) {
            // Nothing can be told apart, or relied on to stay free, while the current moves or is about to.
            if (!track.claim_until) track.reason = {.kind = ReasonKind::current_moves};
            promise(i);
            continue;
        }
        if (const auto claimed = claimed_in_turn(i)) {
            track.reason = {.kind = ReasonKind::waits_for_turn, .other = claimed};
            continue;
        }
        const auto why = cannot_join(i, with, theta());
        if (!why) {
            promise(i);
            switch_on(i);
            add(with.flowing_a, loads[i].legs, loads[i].running_a());
            starting = start_under_way();
            continue;
        }
        if (track.claim_until) {
            promise(i);
            continue;
        }
        // One load at a time tries to make room, in turn: that, too, keeps the cost linear.
        const bool my_turn = turn >= room_turn && !tried;
        if (my_turn)
            tried = turn;
        else if (tried)
            next_room_turn = *tried + 1;
        if (my_turn && make_room(i, with)) {
            promise(i);
            stopping = stop_in_flight();
        } else {
            track.reason = out_of_turn(i, with).value_or(*why);
        }
    }
    if (link_up && source() && !any_silent() && !starting && !stopping && !any_moving()) turn_up(with.p);
}

/// The room of a turn that has ended belongs to the load it was made for, whatever its rank.
std::optional<LoadIndex> Marshal::Core::claimed_in_turn(LoadIndex i) const {
    if (loads[i].rotation.empty()) return std::nullopt;
    const auto next = std::find_if(claimants.begin(), claimants.end(), [&](LoadIndex other) {
        return other != i && tracks[other].claim_until && take_turns(loads[i], loads[other]);
    });
    return next == claimants.end() ? std::nullopt : std::optional(*next);
}

/// The room would be its own but for the dwell: it gave it to another load a while ago, or has had it from
/// one.
std::optional<Reason> Marshal::Core::out_of_turn(LoadIndex i, const Company& with) {
    const auto waits_for = [&](LoadIndex other, Instant pushed_at) {
        return Reason{
            .kind = ReasonKind::waits_for_turn, .other = other, .until = pushed_at + rig.timing.dwell};
    };
    const Track& track = tracks[i];
    if (track.pushed_by && now < track.pushed_at + rig.timing.dwell && may_be_on(*track.pushed_by) &&
        (goes_before(i, *track.pushed_by) || take_turns(loads[i], loads[*track.pushed_by])))
        return waits_for(*track.pushed_by, track.pushed_at);
    // Would it fit once all have left that may leave for it, and those that may again after their dwell?
    std::optional<LoadIndex> last;
    for (LoadIndex other : pushed_lately) {
        if (tracks[other].pushed_by != i || !can_shed(other) || !goes_before(i, other)) continue;
        if (!last || tracks[other].pushed_at > tracks[*last].pushed_at) last = other;
    }
    if (!last) return std::nullopt;
    Company without = with;
    for (LoadIndex other : by_rank) {
        const bool later = can_shed(other) && tracks[other].pushed_by == i && goes_before(i, other);
        if (later || leaves_for(other, i, false)) take_off_perhaps(without.p, other);
    }
    if (!joins_soon(i, without)) return std::nullopt;
    return waits_for(*last, tracks[*last].pushed_at);
}

/// Of the loads of its rotation that wait, and would fit if none of the rotation ran, has it waited longest?
/// Among those that have waited equally long, ranks decide.
bool Marshal::Core::next_in_turn(LoadIndex i, Company with) {
    const auto of_rotation = [&](LoadIndex other) { return take_turns(loads[i], loads[other]); };
    for (LoadIndex other : by_rank) {
        if (!may_be_on(other) || !of_rotation(other)) continue;
        take_off_perhaps(with.p, other);
        if (goes_before(other, i)) add(with.kept_a, loads[other].legs, -total_run_a(other));
    }
    const auto waits_longer = [&](LoadIndex other) {
        const Instant since = tracks[other].switched_at;
        return since != tracks[i].switched_at ? since < tracks[i].switched_at : goes_before(other, i);
    };
    return std::none_of(by_rank.begin(), by_rank.end(), [&](LoadIndex other) {
        return of_rotation(other) && !may_be_on(other) && waits_longer(other) && !kept_back(other) &&
               joins_soon(other, with);
    });
}

/// Why a load would have to leave if `other` needs its room, or nothing if it may stay.
std::optional<ReasonKind> Marshal::Core::leaves_for(LoadIndex i, LoadIndex other, bool in_turn) const {
    const Track& track = tracks[i];
    const Load& load = loads[i];
    const auto lasted = [&](Instant since, Duration needed) { return now - since >= needed; };
    if (!can_shed(i) || !lasted(track.switched_at, load.minimum_on)) return std::nullopt;
    if (track.pushed_by == other && !lasted(track.pushed_at, rig.timing.dwell)) return std::nullopt;
    const bool dwelt = lasted(track.switched_at, rig.timing.dwell);
    if (take_turns(load, loads[other]))
        return dwelt && in_turn ? std::optional(ReasonKind::shed_for_turn) : std::nullopt;
    if (goes_before(other, i)) return ReasonKind::shed_for_rank;
    if (!dwelt) return std::nullopt;
    const bool idle =
        load.control == Control::permitted && track.settled == 0 && !track.stage_due && track.perhaps_a == 0;
    if (idle && lasted(track.stopped_at, rig.timing.dwell)) return ReasonKind::shed_unused;
    return std::nullopt;
}

/// Would it join once what has been told to stop has stopped, and a hot image has cooled a little?
bool Marshal::Core::joins_soon(LoadIndex i, const Company& with) {
    return !cannot_join(i, with, after_a_while(*source(), theta(), with.p, cools_for, cooled_theta));
}

/// Turns down, and if that is not enough sheds, what must go for `i`, if that lets it join; it joins when the
/// meter has confirmed the room.
bool Marshal::Core::make_room(LoadIndex i, Company with) {
    lower(with.p, i);
    const bool enough = !lowered.empty() && joins_soon(i, with);
    std::optional<LoadIndex> in_the_way = enough ? std::nullopt : push_out(i, with);
    if (!enough && !in_the_way) {
        raise_again(with.p, {}, [] { return true; });
        return false;
    }
    const auto turned = raise_again(with.p, {.other = i}, [&] { return joins_soon(i, with); });
    if (!in_the_way) in_the_way = turned;
    if (!in_the_way) return false;
    tracks[i].claim_until = now + reaction + cools_for + confirmed_within;
    claimants.push_back(i);
    tracks[i].reason = {.kind = ReasonKind::makes_room, .other = in_the_way};
    return true;
}

/// Keeps, from the highest rank down, every load that fits beside `i`, and returns one that was shed, if that
/// lets `i` join. Who left does not push `i` out in its turn before the dwell is over.
std::optional<LoadIndex> Marshal::Core::push_out(LoadIndex i, Company& with) {
    const auto keep = [&](LoadIndex other, double sign) {
        sign > 0 ? put_on_perhaps(with.p, other) : take_off_perhaps(with.p, other);
        if (goes_before(other, i)) add(with.kept_a, loads[other].legs, sign * total_run_a(other));
    };
    const bool in_turn = !loads[i].rotation.empty() && next_in_turn(i, with);
    bool any_leaves = false;
    for (LoadIndex other : by_rank) {
        if (!leaves_for(other, i, in_turn)) continue;
        keep(other, -1);
        any_leaves = true;
    }
    if (!any_leaves || !joins_soon(i, with)) return std::nullopt;
    std::optional<LoadIndex> pushed;
    for (LoadIndex other : by_rank) {
        const auto why = leaves_for(other, i, in_turn);
        if (!why) continue;
        keep(other, 1);
        if (joins_soon(i, with)) continue;
        keep(other, -1);
        switch_off(other, {.kind = *why, .other = i});
        tracks[other].pushed_by = i;
        tracks[other].pushed_at = now;
        if (why != ReasonKind::shed_for_rank) {
            tracks[i].pushed_by = other;
            tracks[i].pushed_at = now;
        }
        pushed = other;
    }
    return pushed;
}

void Marshal::Core::switch_on(LoadIndex i) {
    const Load& load = loads[i];
    Track& track = tracks[i];
    if (rig.observing) {
        track.reason = {.kind = ReasonKind::observing_only};
        if (track.advised == true) return;
        track.advised = true;
        actions.push_back(Switch{i, true, track.reason});
        return;
    }
    track.reason = {.kind = ReasonKind::fits};
    track.on = true;
    track.switched_at = now;
    track.shed = false;
    track.settled = 0;
    track.drawn_a = 0;
    track.not_before.reset();
    track.claim_until.reset();
    track.relief.reset();
    track.settles_at.reset();
    track.reported.reset();
    track.asked_again = 0;
    track.repeats_until = {};
    for (Leg leg : all_legs)
        track.granted_at_a[leg] = legs[leg].watch.now_a();
    track.unknown_at_a = unknown_a(load.legs.first());
    const Stage& first = load.stages.front();
    track.stage_due = now + load.switch_latency + first.latest_after + first.start_window +
                      3 * rig.timing.meter_period[load.legs.first()];
    if (adjustable(i)) actions.push_back(Adjust{i, setting_a(i), track.reason});
    actions.push_back(Switch{i, true, track.reason});
}

void Marshal::Core::switch_off(LoadIndex i, const Reason& why) {
    const Load& load = loads[i];
    Track& track = tracks[i];
    if (rig.observing) {
        if (track.advised == false) return;
        track.advised = false;
        track.reason = why;
        actions.push_back(Switch{i, false, why});
        return;
    }
    const bool sheds = !must_not_run(i);
    const Instant was_switched_at = track.switched_at;
    track.on = false;
    expect_fall(i, track.drawn_a);
    track.settles_at = now + reaction;
    track.reported.reset();
    track.asked_again.reset();
    if (load.reports_switch || any_dead() || !track.relief) track.asked_again = 0;  // nothing shows it heard
    track.asserted = true;
    track.repeats_until = {};
    track.switched_at = now;
    track.stopped_at = now + load.switch_latency;  // idle or not, nobody can be sure: it rests
    track.settled = track.perhaps_settled = 0;
    track.drawn_a = track.perhaps_a = 0;
    track.stage_due.reset();
    track.rises_until.reset();
    track.claim_until.reset();
    set_lowest(i);
    track.shed = sheds;
    if (sheds) {
        // Who is shed again soon after it came back waits longer each time: contacts wear, compressors more
        // so. A run that lasts takes that back bit by bit, or short and long ones in turn would wear them,
        // too. The end of a turn is no setback.
        const bool in_turn = why.kind == ReasonKind::shed_for_turn || why.kind == ReasonKind::shed_unused;
        const auto lasted = static_cast<int>((now - was_switched_at) / lasting_run);
        const int in_a_row = lasted > 0 ? std::max(track.sheds_in_a_row - (lasted - 1), 0)
                                        : std::min(track.sheds_in_a_row + 1, sheds_in_a_row_max);
        track.sheds_in_a_row = in_turn ? 0 : in_a_row;
        track.not_before = now + rig.timing.restore_after * (1 << track.sheds_in_a_row);
    }
    track.reason = why;
    actions.push_back(Switch{i, false, why});
}

}  // namespace ampmarshal::rules
