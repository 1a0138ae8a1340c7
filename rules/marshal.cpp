#include "rules/marshal.h"

#include <algorithm>
#include <cmath>

#include "rules/core.h"

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

constexpr Duration feedback_settles = 1s;  ///< feedback this soon after a command may be older than it

Instant instant_of(const Event& event) {
    return std::visit([](const auto& e) { return e.at; }, event);
}

/// A reading tells more than that only if the current moves.
bool only_time_passed(const Event& event) {
    return std::holds_alternative<MeterSample>(event) || std::holds_alternative<Tick>(event);
}

std::size_t image_count(const Source& source) {
    std::size_t n = 0;
    for (const Limit& limit : source.limits)
        n += limit.images.size();
    return n;
}

}  // namespace

Marshal::Core::Core(Rig the_rig, std::optional<SourceIndex> source, Instant start)
    : rig(std::move(the_rig)),
      loads(rig.loads),
      present(source),
      now(start),
      tracks(loads.size()),
      legs{{LegBooks(rig.timing.meter_period[Leg::l1]), LegBooks(rig.timing.meter_period[Leg::l2])}},
      unplugged_at(rig.sources.size(), start) {
    for (LoadIndex i = 0; i < loads.size(); ++i) {
        const Load& load = loads[i];
        tracks[i].wanted = load.wanted_at_start;
        tracks[i].switched_at = tracks[i].stopped_at = start;
        // Nothing tells what a switch without feedback is at: while only observing, expect the worst.
        tracks[i].on = rig.observing && load.controlled() && !load.reports_switch;
        profiles.emplace_back(load.stages.begin(), load.stages.end());
        auto& own_books = own.emplace_back();
        if (load.own_meter) own_books.emplace(load.own_meter->period);
        set_lowest(i);
        tracks[i].told_setting_a = setting_a(i);
        if (!load.controlled()) continue;
        by_rank.push_back(i);
        slowest_switch = std::max(slowest_switch, load.switch_latency);
    }
    for (Leg leg : all_legs)  // on a leg that is not there nothing is missed
        if (!rig.legs.contains(leg)) legs[leg].silent_after = Instant::max();
    rank_anew();
    lowered.reserve(by_rank.size());
    const Duration slowest_meter =
        std::max(rig.timing.meter_period[Leg::l1], rig.timing.meter_period[Leg::l2]);
    reaction = slowest_meter + rig.timing.decision + slowest_switch;
    for (const Source& s : rig.sources)
        thetas.emplace_back(image_count(s), 0.0);
    for (const auto& theta : thetas)
        cooled_theta.resize(std::max(cooled_theta.size(), theta.size()));
    warm_theta.resize(cooled_theta.size());
    if (present) limit_books.resize(rig.sources[*present].limits.size());
    claimants.reserve(by_rank.size());
    pushed_lately.reserve(by_rank.size());
    actions.reserve(8 * loads.size() + 32);
    raised.reserve(4 * loads.size() + 16);
}

// --- questions ---

/// Preferred loads go before all others; among both, ranks decide.
bool Marshal::Core::goes_before(LoadIndex a, LoadIndex b) const {
    const bool a_preferred = tracks[a].preferred_until.has_value();
    const bool b_preferred = tracks[b].preferred_until.has_value();
    return a_preferred != b_preferred ? a_preferred : loads[a].rank < loads[b].rank;
}

bool Marshal::Core::start_in_flight(LoadIndex i) const {
    return tracks[i].on && tracks[i].stage_due.has_value();
}

/// A load was told to stop and its current may still fall. Idle as it was believed, it may have been running.
bool Marshal::Core::stop_in_flight() const {
    return std::any_of(tracks.begin(), tracks.end(), [&](const Track& track) {
        return track.settles_at && now < *track.settles_at && !(track.relief && track.relief->seen);
    });
}

double Marshal::Core::total_run_a(LoadIndex i) const {
    const Load& load = loads[i];
    double sum_a = tracks[i].drawn_a;
    for (std::size_t s = tracks[i].settled; s < load.stages.size(); ++s)
        sum_a += load.stages[s].running_a;
    return sum_a;
}

// --- events ---

/// The current each leg is taken to have carried since the event before.
PerLeg<double> Marshal::Core::held_a(const MeterSample* next) const {
    PerLeg<double> held_a;
    for (Leg leg : all_legs) {
        held_a[leg] = legs[leg].watch.now_a();
        // A rise happened somewhere between two readings: count it from the first.
        if (next && !next->load && next->leg == leg) held_a[leg] = std::max(held_a[leg], next->current_a);
        if (!silent(leg)) continue;
        const Prospect worst = prospect(false);
        held_a[leg] = std::max(held_a[leg], worst.base_a[leg] + worst.running_a[leg]);
    }
    return held_a;
}

void Marshal::Core::advance_images(Instant at, const MeterSample* next) {
    const PerLeg<double> carried_a = held_a(next);
    std::size_t image = 0;
    for (const Limit& limit : source()->limits) {
        const double current_a = through(limit, carried_a);
        for (const ThermalImage& own : limit.images) {
            double& theta = thetas[*present][image++];
            theta = own.after(theta, current_a, at - now);
        }
    }
}

void Marshal::Core::handle(const MeterSample& event) {
    if (event.load) return handle_own(event);
    if (!rig.legs.contains(event.leg)) return;
    LegBooks& books = legs[event.leg];
    const bool was_silent = silent(event.leg);
    if (was_silent) books.heard_again_at = event.at;
    books.heard_at = event.at;
    books.silent_after = event.at + rig.timing.stale_after[event.leg];
    note_line(event, books.watch.moving());
    books.holds_peaks = event.peak_a.has_value();
    if (was_silent && !any_silent()) clear(AlertKind::meter_silent, std::nullopt);

    const double excess_a = event.current_a - books.watch.level_a();
    const bool quiet = !books.watch.moving() && std::abs(excess_a) <= books.watch.least_step_a();
    if (!quiet && !books.watch.moving()) books.moved_before = books.moved_at;
    if (!quiet) books.moved_at = event.at;
    const Duration open = quiet ? Duration::zero() : hold_open(event.leg, excess_a);
    const LegWatch::Steps steps = books.watch.sample(event.at, event.current_a, event.peak_a, open);
    if (steps.first && !still_flows(event.leg, *steps.first)) explain(event.leg, *steps.first, !steps.second);
    if (steps.second) explain(event.leg, *steps.second, false);
    if (!books.watch.moving() && (steps.first || event.at >= books.told_until)) books.told_a = 0;
    learn_impedance(event.leg, steps);
    if (steps.first) {
        reconcile(event.leg);
        doubt_own_meters(event.leg);
        for (LoadIndex i : by_rank)
            if (loads[i].legs.contains(event.leg)) rest_unheard(i, steps.first->began);
    } else if (books.watch.rising() && event.at - books.watch.began() > open) {
        check_stall(event.leg, books.watch.at_least_a() - books.watch.level_a() - books.told_a,
                    books.watch.began());
    }
    check_supply(event.leg);
}

void Marshal::Core::rest_everything() {
    for (LoadIndex i = 0; i < tracks.size(); ++i)
        unsettle(i);
}

void Marshal::Core::rank_anew() {
    std::sort(by_rank.begin(), by_rank.end(), [&](LoadIndex a, LoadIndex b) { return goes_before(a, b); });
    next_room_turn = 0;
}

void Marshal::Core::end_preferences() {
    bool ended = false;
    for (LoadIndex i : by_rank) {
        auto& until = tracks[i].preferred_until;
        if (!until || now < *until) continue;
        until.reset();
        ended = true;
    }
    if (ended) rank_anew();
}

void Marshal::Core::handle(const DemandChanged& event) {
    tracks[event.load].wanted = event.wanted;
}

void Marshal::Core::handle(const SwitchFeedback& event) {
    Track& track = tracks[event.load];
    const Load& load = loads[event.load];
    if (event.age_known) track.heard = true;
    if (!track.asserted || rig.observing) {
        // Not commanded yet since the link came up: take over what is found. A retained "off" proves nothing.
        if (event.on == track.on || (!event.on && !event.age_known)) return;
        if (event.on && track.stuck) return;  // known already, and never to be told on
        track.on = event.on;
        event.on ? set_highest(event.load) : set_lowest(event.load);
        track.switched_at = event.at;
        unsettle(event.load);
        track.granted_at_a = {};
        track.unknown_at_a = 0;
        if (event.on && load.control == Control::switched)
            track.stage_due = event.at + load.stages.front().latest_after + load.start_window();
        return;
    }
    if (event.age_known) track.reported = event.on;
    if (event.age_known && event.on) track.reported_off_at.reset();
    const bool says_off = event.age_known && !event.on;
    if (says_off && !track.reported_off_at) track.reported_off_at = event.at;
    // Older than the command or not, it was on until then, and rests from there.
    if (says_off && track.offs_repeated > 0) {
        if (!track.relief) expect_fall(event.load, track.drawn_a);
        unsettle(event.load);
    }
    // And so may one have been that answers only now that it was told again.
    const bool answers_late = !track.on && track.asked_again.value_or(0) > 0;
    if (says_off && answers_late && !tells_itself(event.load)) track.stopped_at = event.at;
    if (!event.age_known || event.at - track.switched_at < load.switch_latency + feedback_settles) return;
    if (!event.on) {
        track.stuck = false;
        if (!track.on) return;
        // Somebody else opened it. That is a decision too: it comes back only through the queue. It is told
        // so, because a contact that flaps may say "off" of a load that is on.
        track.on = false;
        actions.push_back(Switch{event.load, false, track.reason, false});
        set_lowest(event.load);
        expect_fall(event.load, track.drawn_a);  // the meter may show it only later, and it is no other's
        track.settles_at = event.at + reaction;
        track.switched_at = event.at;
        unsettle(event.load);
        track.not_before = event.at + rig.timing.restore_after;
    } else if (!track.on && !track.stuck) {
        told_off_in_vain(event.load, track.drawn_a);
    }
}

void Marshal::Core::handle(const SourceChanged& event) {
    if (event.source == present) return;
    if (present) unplugged_at[*present] = event.at;
    present = event.source;
    limit_books.clear();
    for (Leg leg : all_legs)
        legs[leg].impedance = SourceImpedance{};
    legs_apart.reset();
    battery_percent.reset();
    battery_low = false;
    clear(AlertKind::battery_low, std::nullopt);
    for (LoadIndex i = 0; i < loads.size(); ++i)
        believe(i);
    if (!present) return;
    // While it was unplugged its images cooled at no current. What is over its steady limit goes without a
    // grace.
    const Source& s = rig.sources[*present];
    std::size_t image = 0;
    for (const Limit& limit : s.limits) {
        for (const ThermalImage& own : limit.images) {
            double& theta = thetas[*present][image++];
            theta = own.after(theta, 0, event.at - unplugged_at[*present]);
        }
    }
    limit_books.resize(s.limits.size());
    for (LimitBooks& books : limit_books)
        books.over_steady.fill(rig.timing.steady_grace);
}

void Marshal::Core::handle(const BatteryCharge& event) {
    const Source* s = source();
    if (!s || !s->low_battery) return;
    battery_percent = event.percent;
    if (event.percent < s->low_battery->stop_below_percent) battery_low = true;
    if (event.percent >= s->low_battery->resume_from_percent) battery_low = false;
    if (battery_low)
        raise(AlertKind::battery_low, std::nullopt, {.kind = ReasonKind::battery_low});
    else
        clear(AlertKind::battery_low, std::nullopt);
}

void Marshal::Core::handle(const OperatorRequest& event) {
    Track& track = tracks[event.load];
    switch (event.request) {
        case Request::hold: track.held = true; break;
        case Request::release: track.held = false; break;
        case Request::forget:
            for (StageProfile& profile : profiles[event.load])
                profile.reset();
            believe(event.load);
            clear(AlertKind::departed, event.load);
            break;
        case Request::prefer:
            track.preferred_until = event.until;
            rank_anew();
            break;
        case Request::acknowledge: {
            clear(AlertKind::not_adjusted, event.load);
            track.not_adjusted = false;
            if (!track.on) set_lowest(event.load);
            // It may stand anywhere: from here on it shall stand where the books say.
            if (track.on && adjustable(event.load))
                actions.push_back(Adjust{event.load, setting_a(event.load), track.reason, false});
            track.stalls = 0;
            if (track.lockout == Lockout::none) break;
            // It is told off once more. What it drew to the last must then fall, unless its switch says that
            // it is off; else it is locked out again.
            const double drawn_a = track.stuck && track.reported != false ? track.drawn_a : 0;
            track.lockout = Lockout::none;
            track.not_before.reset();
            track.stuck = false;
            track.offs_repeated = 0;
            track.asserted = false;  // told again to be off, and heard again, before anything else
            track.heard = false;
            track.repeats_until = {};
            unsettle(event.load);
            expect_fall(event.load, drawn_a);
            clear(AlertKind::stall, event.load);
            clear(AlertKind::disobedience, event.load);
            if (std::none_of(tracks.begin(), tracks.end(),
                             [](const Track& t) { return t.lockout == Lockout::neutral; }))
                clear(AlertKind::open_neutral, std::nullopt);
            break;
        }
    }
}

/// Nobody knows how often it was tried before: a person must look.
void Marshal::Core::handle(const LockoutRecalled& event) {
    Track& track = tracks[event.load];
    track.lockout = event.why;
    track.stalls = loads[event.load].stall_retries;
    switch (event.why) {
        case Lockout::none: break;
        case Lockout::stall:
            raise(AlertKind::stall, event.load, {.kind = ReasonKind::locked_out_stall});
            break;
        case Lockout::disobedience:
            track.offs_repeated =
                1;  // its relay may stick still: it counts until it is heard, or seen, to be off
            raise(AlertKind::disobedience, event.load, {.kind = ReasonKind::locked_out_disobedience});
            break;
        case Lockout::neutral:
            raise(AlertKind::open_neutral, std::nullopt, {.kind = ReasonKind::locked_out_neutral});
            break;
    }
}

void Marshal::Core::handle(const StopEverything& event) {
    stopped = event.stop;
}

void Marshal::Core::take_over(LoadIndex i, const Core& old, LoadIndex was,
                              std::span<const std::optional<SourceIndex>> sources) {
    const Track& before = old.tracks[was];
    Track& track = tracks[i];
    track.on = before.on;
    track.stuck = before.stuck;
    track.settled = before.settled;
    track.drawn_a = before.drawn_a;
    track.stage_due = before.stage_due;
    track.granted_at_a = before.granted_at_a;
    track.unknown_at_a = before.unknown_at_a;
    track.sure = before.sure;
    track.switched_at = before.switched_at;
    track.stopped_at = before.stopped_at;
    track.reported = before.reported;
    track.settles_at = before.settles_at;
    track.relief = before.relief;
    track.shed = before.shed;
    track.not_before = before.not_before;
    track.sheds_in_a_row = before.sheds_in_a_row;
    track.not_adjusted = before.not_adjusted;
    if (rig.loads[i].adjustment && track.on)
        set_to(i, std::min(old.setting_a(was), rig.loads[i].running_a()));
    for (std::size_t stage = 0; stage < profiles[i].size(); ++stage) {
        if (old.rig.loads[was].stages[stage] != rig.loads[i].stages[stage]) continue;
        StageProfile::Memory taught = old.profiles[was][stage].memory();
        for (SeenStart& start : taught.last)
            if (start.source)
                start.source = *start.source < sources.size() ? sources[*start.source] : std::nullopt;
        profiles[i][stage].restore(taught);
    }
    believe(i);
}

void Marshal::Core::handle(const LinkChanged& event) {
    if (event.up) rest_the_mute();
    link_up = event.up;
    link_up_at = event.at;
    for (Track& track : tracks)
        track.heard = track.asserted = false;
    // What an earlier life was taught may have departed already.
    for (LoadIndex i = 0; link_up && i < loads.size(); ++i)
        tell_departure(i);
}

// --- the public face ---

Marshal::Marshal(Rig rig, std::optional<SourceIndex> source, Instant now)
    : core_(std::make_unique<Core>(std::move(rig), source, now)) {}
Marshal::~Marshal() = default;

std::span<const Action> Marshal::on(const Event& event) {
    Core& core = *core_;
    core.actions.clear();
    const Instant at = std::max(instant_of(event), core.now);
    if (core.source() && at > core.now) core.advance_images(at, std::get_if<MeterSample>(&event));
    const Duration passed = at - core.now;
    core.now = at;
    const bool was_moving = core.any_moving();
    if (!only_time_passed(event)) core.end_calm();
    std::visit([&](const auto& e) { core.handle(e); }, event);
    if (core.stays_calm(event)) {
        core.calm.passed += passed;
        return {};
    }
    core.end_calm();
    for (Leg leg : all_legs)
        core.legs[leg].explained = core.explains(leg);
    core.note_time(passed);
    core.check_line(passed);
    core.decide(only_time_passed(event) && !was_moving && !core.any_moving());
    return core.actions;
}

void Marshal::succeed(const Marshal& before, std::span<const std::optional<LoadIndex>> heirs,
                      std::span<const std::optional<SourceIndex>> sources) {
    const Core& old = *before.core_;
    core_->link_up_at = old.link_up ? old.now : old.link_up_at;
    for (LoadIndex i = 0; i < heirs.size(); ++i) {
        if (!heirs[i] || old.loads[i].stages.size() != core_->loads[*heirs[i]].stages.size()) continue;
        core_->take_over(*heirs[i], old, i, sources);
    }
    for (SourceIndex i = 0; i < sources.size(); ++i) {
        if (!sources[i] || old.thetas[i].size() != core_->thetas[*sources[i]].size()) continue;
        core_->thetas[*sources[i]] = old.thetas[i];
        core_->unplugged_at[*sources[i]] = old.present == i ? core_->now : old.unplugged_at[i];
        if (old.present == i && core_->present == sources[i])
            for (Leg leg : all_legs)
                core_->legs[leg].impedance = old.legs[leg].impedance;
    }
}

std::optional<std::string> Marshal::recall(LoadIndex i, std::size_t stage, const StageProfile::Memory& kept) {
    auto wrong = core_->profiles[i][stage].restore(kept);
    if (!wrong) core_->believe(i);
    return wrong;
}

const Rig& Marshal::rig() const {
    return core_->rig;
}

std::optional<SourceIndex> Marshal::source() const {
    return core_->present;
}

LoadView Marshal::load(LoadIndex i) const {
    const Track& track = core_->tracks[i];
    LoadView view{track.state, track.wanted, track.held, track.on, track.drawn_a, track.reason};
    if (core_->loads[i].adjustment) view.setting_a = core_->setting_a(i);
    view.preferred_until = track.preferred_until;
    view.lockout = track.lockout;
    return view;
}

const StageProfile& Marshal::profile(LoadIndex i, std::size_t stage) const {
    return core_->profiles[i][stage];
}

bool Marshal::everything_stopped() const {
    return core_->stopped;
}

std::vector<LimitView> Marshal::limits() const {
    const Core& core = *core_;
    if (!core.source()) return {};
    const Prospect p = core.prospect(false);
    const Duration window = std::max(p.window, Duration(500ms));
    std::vector<LimitView> views;
    views.reserve(core.source()->limits.size());
    auto images = core.theta();
    for (const Limit& limit : core.source()->limits) {
        const auto theta = images.first(limit.images.size());
        images = images.subspan(limit.images.size());
        const double current_a = through(limit, p.measured_a);
        LimitView& view = views.emplace_back(LimitView{current_a, 0, 0, {}});
        // Unheard, nothing is known to be free.
        if (std::any_of(std::begin(all_legs), std::end(all_legs),
                        [&](Leg leg) { return limit.legs.contains(leg) && core.silent(leg); }))
            continue;
        view.steady_headroom_a = limit.steady_a - current_a;
        view.start_headroom_a = most_for(limit, theta, window, to_join) - p.peak_through(limit);
        for (std::size_t i = 0; i < limit.images.size(); ++i) {
            const auto trip = limit.images[i].time_to_trip(theta[i], current_a);
            if (trip && (!view.time_to_trip || *trip < *view.time_to_trip)) view.time_to_trip = trip;
        }
    }
    return views;
}

std::optional<double> Marshal::current_a(Leg leg) const {
    if (!core_->rig.legs.contains(leg) || core_->silent(leg)) return std::nullopt;
    return core_->legs[leg].watch.now_a();
}

std::optional<double> Marshal::voltage_v(Leg leg) const {
    if (!core_->rig.legs.contains(leg) || core_->silent(leg)) return std::nullopt;
    return core_->legs[leg].voltage_v;
}

std::optional<double> Marshal::impedance_ohm(Leg leg) const {
    return core_->legs[leg].impedance.ohm();
}

}  // namespace ampmarshal::rules
