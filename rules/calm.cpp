// Most readings say what the one before said. As long as nothing is under way, no leg carries more than a
// decision has allowed for, and the line is well, what was decided stands: then a reading only goes into the
// levels and the thermal images. Every few seconds, and with every other event, all is looked at anew.
#include <algorithm>
#include <cmath>
#include <utility>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr Duration looks_every = 5s;
constexpr double volts_share = 0.02;  ///< of nominal, that a leg's voltage may move meanwhile
constexpr double apart_share = 0.05;  ///< of nominal, that the legs may differ before they do

}  // namespace

/// A stop or an answer that is expected, or room that is being made: time alone may bring it about. A start
/// that is expected shows on the leg, and is given up on time.
bool Marshal::Core::under_way(LoadIndex i) const {
    const Track& track = tracks[i];
    return unwilling(i) || (loads[i].controlled() && !track.heard) || track.relief || track.rises_until ||
           track.claim_until || (track.settles_at && now < *track.settles_at);
}

/// Nothing about the line is counted, and nothing will be while its voltages stay where they are.
bool Marshal::Core::line_is_well() const {
    const double nominal_v = source()->nominal_v;
    for (Leg leg : all_legs) {
        const LegBooks& books = legs[leg];
        if (!rig.legs.contains(leg)) continue;
        if (!books.low_voltage.gone() || !books.high_voltage.gone() || !books.low_frequency.gone())
            return false;
        const double line_v = books.voltage_v.value_or(nominal_v);
        const double wanders_v = volts_share * nominal_v;
        if (!well_v(line_v - wanders_v) || !well_v(line_v + wanders_v) || !well_hz(books.frequency_hz))
            return false;
    }
    const auto& l1 = legs[Leg::l1].voltage_v;
    const auto& l2 = legs[Leg::l2].voltage_v;
    return legs_apart.gone() && (!l1 || !l2 || std::abs(*l1 - *l2) <= apart_share * nominal_v);
}

bool Marshal::Core::has_tight_start(const Prospect& p) const {
    const auto& limits = source()->limits;
    return std::any_of(limits.begin(), limits.end(),
                       [&](const Limit& limit) { return p.peak_through(limit) > limit.tight_a; });
}

/// Called when all has been looked at. The standing worst case must fit even if each leg has wandered as far
/// as it may without moving, now and when the images have taken that in: in between they go from the one to
/// the other without a detour.
void Marshal::Core::begin_calm() {
    if (!actions.empty() || !link_up || !source() || any_silent() || any_dead() || any_moving()) return;
    for (LoadIndex i = 0; i < tracks.size(); ++i)
        if (under_way(i)) return;
    if (next_room_turn != 0) return;  // not all that wait have tried to make room
    if (steady_spent() || !line_is_well()) return;
    calm.flowing = flowing(false);
    Prospect p = prospect(false);
    const bool tight = has_tight_start(p);
    for (Leg leg : all_legs) {
        const LegWatch& watch = legs[leg].watch;
        calm.most_a[leg] = std::max(watch.now_a(), watch.level_a() + watch.least_step_a());
        calm.voltage_v[leg] = legs[leg].voltage_v;
        p.base_a[leg] = p.measured_a[leg] = calm.most_a[leg];
    }
    if (stays_misfit(p, true) || has_tight_start(p) != tight) return;
    if (misfit(*source(), after_a_while(*source(), theta(), p, looks_every, warm_theta), p, to_stay)) return;
    calm.until = now + looks_every;
    for (const Track& track : tracks)  // a rest, a wait, a preference or an expectation ends on time
        for (const auto& ends : {track.reason.until, track.preferred_until, track.stage_due})
            if (ends && *ends > now) calm.until = std::min(calm.until, *ends);
}

/// The event has been taken into the books. Does it leave what was decided as it is?
bool Marshal::Core::stays_calm(const Event& event) const {
    if (now >= calm.until || !actions.empty() || any_moving() || any_silent()) return false;
    if (std::holds_alternative<Tick>(event)) return true;
    const auto* sample = std::get_if<MeterSample>(&event);
    if (!sample) return false;
    if (sample->load) return stays_calm(*sample->load);
    if (!rig.legs.contains(sample->leg)) return true;
    const LegBooks& books = legs[sample->leg];
    const auto& before_v = calm.voltage_v[sample->leg];
    return books.watch.now_a() <= calm.most_a[sample->leg] &&
           books.voltage_v.has_value() == before_v.has_value() && well_hz(books.frequency_hz) &&
           (!before_v || std::abs(*books.voltage_v - *before_v) <= volts_share * source()->nominal_v);
}

/// A load's own meter has said nothing new.
bool Marshal::Core::stays_calm(LoadIndex i) const {
    return !own[i] || (!own[i]->watch.moving() && tracks[i].booked_at < now);
}

/// What was put off is made up for.
void Marshal::Core::end_calm() {
    calm.until = now;
    const Duration calmly = std::exchange(calm.passed, Duration::zero());
    if (!source() || calmly == Duration::zero()) return;
    note_flowing(calm.flowing, calmly);
    warn_of_tight_starts(calmly);
}

}  // namespace ampmarshal::rules
