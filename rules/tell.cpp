// What is told of the decisions: the state of each load, and the alerts.
#include <algorithm>
#include <cmath>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr Duration trip_is_near = 10min;  ///< warn when a trip is closer than this ...
constexpr Duration trip_is_far = 20min;   ///< ... and give the all-clear beyond this
constexpr double near_share = 0.10;       ///< warn when less than this share of the steady limit is free ...
constexpr double far_share = 0.15;        ///< ... and give the all-clear above this
constexpr double near_for_s = 30;         ///< for so long
constexpr Duration sheds_first = 2s;      ///< no alarm for what a shed puts right
constexpr double far_for_s = 60;
constexpr double easy_share = 0.95;   ///< of the current from which on a start is tight, for the all-clear
constexpr double told_again_a = 0.5;  ///< figures in a reason are told anew when they move this much

/// Or nearly: its figures may have moved a little.
bool says_the_same(const Reason& now, const Reason& before) {
    if (now == before) return true;
    if (std::abs(now.needed_a - before.needed_a) >= told_again_a ||
        std::abs(now.available_a - before.available_a) >= told_again_a)
        return false;
    Reason same_figures = now;
    same_figures.needed_a = before.needed_a;
    same_figures.available_a = before.available_a;
    return same_figures == before;
}

}  // namespace

LoadState Marshal::Core::state_of(LoadIndex i) const {
    const Track& track = tracks[i];
    const bool all_settled = track.settled == loads[i].stages.size();
    if (!loads[i].controlled()) return all_settled ? LoadState::running : LoadState::off;
    if (track.lockout != Lockout::none) return LoadState::locked_out;
    if (may_be_on(i)) {
        if (all_settled) return LoadState::running;
        return track.stage_due ? LoadState::starting : LoadState::permitted;
    }
    if (track.held || !track.wanted) return LoadState::off;
    if (track.shed) return LoadState::shed;
    return track.reason.kind == ReasonKind::rests ? LoadState::resting : LoadState::waiting;
}

void Marshal::Core::update_states() {
    for (LoadIndex i = 0; i < tracks.size(); ++i) {
        Track& track = tracks[i];
        const LoadState state = state_of(i);
        if (state == track.state && says_the_same(track.reason, track.told) &&
            track.wanted == track.told_wanted && track.held == track.told_held &&
            setting_a(i) == track.told_setting_a && track.preferred_until == track.told_preferred_until)
            continue;
        track.state = state;
        track.told = track.reason;
        track.told_wanted = track.wanted;
        track.told_held = track.held;
        track.told_setting_a = setting_a(i);
        track.told_preferred_until = track.preferred_until;
        actions.push_back(LoadChanged{i});
    }
}

/// Told before it goes wrong: a trip comes near, or next to nothing is free for a while.
void Marshal::Core::update_warnings(Duration passed, const Prospect& p) {
    const Source& s = *source();
    bool all_far = true;
    std::size_t image = 0;
    for (std::size_t l = 0; l < s.limits.size(); ++l) {
        const Limit& limit = s.limits[l];
        const double current_a = p.base_through(limit);
        const double free_share = 1 - current_a / limit.steady_a;
        Duration trip_in = Duration::max();
        for (const ThermalImage& own : limit.images)
            trip_in = std::min(
                trip_in, own.time_to_trip(thetas[*present][image++], current_a).value_or(Duration::max()));
        LimitBooks& books = limit_books[l];
        const bool far = trip_in > trip_is_far && free_share > far_share;
        books.soon_s = trip_in < trip_is_near ? books.soon_s + seconds(passed) : 0;
        books.near_s = free_share < near_share ? books.near_s + seconds(passed) : 0;
        books.far_s = far ? books.far_s + seconds(passed) : 0;
        all_far = all_far && books.far_s >= far_for_s;
        const double soon_for_s = seconds(rig.timing.steady_grace + reaction + sheds_first);
        if (books.soon_s >= soon_for_s || books.near_s >= near_for_s)
            raise(AlertKind::trip_nears, std::nullopt,
                  {.kind = ReasonKind::steady_full,
                   .limit = l,
                   .needed_a = current_a,
                   .available_a = limit.steady_a});
    }
    if (all_far) clear(AlertKind::trip_nears, std::nullopt);
}

void Marshal::Core::warn_of_tight_starts(Duration passed) {
    const auto ever_tight = [](const Limit& limit) { return std::isfinite(limit.tight_a); };
    if (std::none_of(source()->limits.begin(), source()->limits.end(), ever_tight)) {
        clear(AlertKind::start_tight, std::nullopt);
        return;
    }
    const Prospect p = prospect(true);
    bool all_easy = true;
    for (std::size_t l = 0; l < limit_books.size(); ++l) {
        const Limit& limit = source()->limits[l];
        const double peak_a = p.peak_through(limit);
        LimitBooks& books = limit_books[l];
        books.easy_s = peak_a <= easy_share * limit.tight_a ? books.easy_s + seconds(passed) : 0;
        all_easy = all_easy && books.easy_s >= far_for_s;
        if (peak_a > limit.tight_a)
            raise(AlertKind::start_tight, std::nullopt,
                  {.limit = l, .needed_a = peak_a, .available_a = limit.ceiling_a});
    }
    if (all_easy) clear(AlertKind::start_tight, std::nullopt);
}

void Marshal::Core::warn_of_silence() {
    if (!any_silent()) return;
    for (Leg leg : all_legs)
        if (legs[leg].heard_at && silent(leg))
            raise(AlertKind::meter_silent, std::nullopt, {.kind = ReasonKind::waits_for_meter});
}

void Marshal::Core::raise(const AlertRaised& alert) {
    for (const RaisedAlert& before : raised)
        if (before.kind == alert.kind && before.load == alert.load) return;
    raised.push_back({alert.kind, alert.load});
    actions.push_back(alert);
}

void Marshal::Core::take_back(AlertKind kind, std::optional<LoadIndex> load) {
    const auto found = std::find_if(raised.begin(), raised.end(), [&](const RaisedAlert& alert) {
        return alert.kind == kind && alert.load == load;
    });
    if (found == raised.end()) return;
    raised.erase(found);
    actions.push_back(AlertCleared{kind, load});
}

}  // namespace ampmarshal::rules
