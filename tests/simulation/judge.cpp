#include "tests/simulation/judge.h"

#include <algorithm>
#include <cmath>

#include "tests/simulation/random_rig.h"

namespace ampmarshal::tests {

namespace {

using namespace std::chrono_literals;
using rules::Duration;
using rules::Instant;
using rules::Leg;
using rules::LegSet;
using virtual_rig::Happening;
using virtual_rig::TripPoints;

// Bounds of the rules.
constexpr Duration starved_after = 60min;  ///< 32 min is the longest wait after a shed, then rest and queue
constexpr Duration returned_after = 75min;
constexpr Duration reason_wrong_for = 2min;  ///< a reason may be a few decisions old
constexpr double least_seen_a = 0.8;         ///< who draws less cannot be told from one who draws nothing
constexpr std::size_t same_commands_max = 12;
constexpr Duration same_commands_within = 10min;
constexpr double operations_per_load_hour_max = 12;

constexpr Duration reconnects = 3s;  ///< connects, listens for a second, decides
constexpr Duration judged = 1s;      ///< after that a load that does not obey is known for it
constexpr int stops_tried = 5;       ///< a load that has heard none of so many is not to be stopped
constexpr Duration person_looks_after = 2min;
constexpr Duration breaker_closed_after = 5min;

LegSet legs_of_limit(std::string_view limit) {
    if (limit == "L1") return LegSet(Leg::l1);
    if (limit == "L2") return LegSet(Leg::l2);
    return LegSet::both();
}

/// What nobody may count on to hold longer: the early edge of everything that a plate leaves open.
TripPoints touchiest(const virtual_rig::SourcePlan& plan, LegSet legs, double share, double nominal_v) {
    if (const auto* breaker = std::get_if<virtual_rig::BreakerPlan>(&plan.kind)) {
        const double rating_a = breaker->rating_a;
        return {"", legs, 3 * rating_a, rating_a, 6.0, 3 * rating_a, 0};
    }
    const auto lasts = [&](double lasting_w, double short_w, Duration allowed, double gives_in_after_s) {
        const double lasting_a = share * lasting_w / nominal_v;
        const double short_a = share * short_w / nominal_v;
        const double square = std::pow(std::max(1.05, short_a / lasting_a), 2);
        const double tau_s = rules::seconds(allowed) / std::log(square / (square - 1));
        return TripPoints{"", legs, short_a, lasting_a, tau_s, short_a, gives_in_after_s};
    };
    if (const auto* generator = std::get_if<virtual_rig::GeneratorPlan>(&plan.kind))
        return lasts(generator->running_w, generator->starting_w, generator->starting_allowed, 0.1);
    const auto& inverter = std::get<virtual_rig::InverterPlan>(plan.kind);
    return lasts(inverter.continuous_w, inverter.surge_w, inverter.surge_allowed, 0.02);
}

std::vector<TripPoints> touchiest_of(const virtual_rig::SourcePlan& source, const virtual_rig::RigPlan& rig) {
    const bool breaker = std::holds_alternative<virtual_rig::BreakerPlan>(source.kind);
    const LegSet all = rig.legs == 1 ? LegSet(Leg::l1) : LegSet::both();
    const bool split = rig.legs == 2 && !source.one_conductor;
    std::vector<TripPoints> points;
    if (!breaker || !split) points.push_back(touchiest(source, all, 1, rig.nominal_v));
    for (const Leg leg : rules::all_legs)
        if (split) points.push_back(touchiest(source, LegSet(leg), breaker ? 1 : 0.5, rig.nominal_v));
    return points;
}

/// The most a load draws while it starts, and once it runs.
struct Draws {
    double start_a;
    double running_a;
};

Draws draws_of(const virtual_rig::LoadPlan& load) {
    struct Of {
        Draws operator()(const virtual_rig::AirConditionerPlan& p) const {
            return {p.fan.start_a + p.compressor.start_a, p.fan.running_a + p.compressor.running_a};
        }
        Draws operator()(const virtual_rig::HeaterPlan& p) const { return {p.running_a, p.running_a}; }
        Draws operator()(const virtual_rig::ChargerPlan& p) const { return {p.bulk_a, p.bulk_a}; }
        Draws operator()(const virtual_rig::AppliancePlan& p) const { return {p.running_a, p.running_a}; }
        Draws operator()(const virtual_rig::BaseLoadPlan& p) const {
            const double most_a = p.mean_a + 4 * p.wander_a;
            return {most_a, most_a};
        }
    };
    return std::visit(Of{}, load.kind);
}

/// What a meter's message tells under this key, as the virtual rig writes it: with two decimals.
double number_in(std::string_view payload, std::string_view key) {
    const std::size_t at = payload.find(key);
    if (at == std::string_view::npos) return 0;
    int hundredths = 0;
    for (const char c : payload.substr(at + key.size())) {
        if (c == '.') continue;
        if (c < '0' || c > '9') break;
        hundredths = 10 * hundredths + (c - '0');
    }
    return hundredths / 100.0;
}

}  // namespace

Figures& Figures::operator+=(const Figures& other) {
    trips_excused += other.trips_excused;
    healthy_operations += other.healthy_operations;
    healthy_load_hours += other.healthy_load_hours;
    return *this;
}

Judge::Judge(const Case& c, const daemon::Configuration& configuration, SimulatedRig& rig)
    : case_(c), configuration_(configuration), rig_(rig) {
    Duration slowest_relay{};
    const std::string root = c.plan.topic_prefix + "/" + c.plan.name + "/relay/";
    for (const auto& plan : c.plan.loads) {
        ranks_.push_back(plan.relay ? configuration.rig.loads[rig.index(plan.name)].rank : 0);
        if (!plan.relay) continue;
        slowest_relay = std::max(slowest_relay, plan.relay->latency);
        by_set_topic_[root + plan.name + "/set"] = loads_.size();
        loads_.push_back({.plan = &plan, .index = rig.index(plan.name)});
    }
    reaction_ =
        c.plan.meter.period + c.plan.meter.latency + configuration.rig.timing.decision + slowest_relay + 25ms;
    settles_ = 2 * reaction_ + judged;
    for (std::size_t s = 0; s < c.plan.sources.size(); ++s)
        for (TripPoints& points : touchiest_of(c.plan.sources[s], c.plan))
            dangers_.push_back({s, points.legs, virtual_rig::TripElement(points, 0)});
}

void Judge::break_rule(const char* rule, std::string what) {
    if (!broken_) broken_ = Broken{rig_.now(), rule, std::move(what)};
}

Judge::Seen* Judge::seen(std::string_view name) {
    const auto found =
        std::find_if(loads_.begin(), loads_.end(), [&](const Seen& l) { return l.plan->name == name; });
    return found == loads_.end() ? nullptr : &*found;
}

// --- what excuses a trip ---

void Judge::excuse(const char* why, LegSet legs, Instant until) {
    std::erase_if(excuses_, [&](const Excuse& e) { return e.until < rig_.now(); });
    excuses_.push_back({why, legs, until});
}

void Judge::end_excuse(const char* why, LegSet legs, Duration later) {
    std::erase_if(excuses_, [&](const Excuse& e) { return e.why == why && e.legs == legs; });
    excuse(why, legs, rig_.now() + later);
}

std::optional<std::string> Judge::excused(Instant at, LegSet legs) const {
    for (const Excuse& e : excuses_)
        if (e.until >= at && e.legs.touches(legs)) return e.why;
    if (misled()) return "the word of where the rig is plugged in was lost";
    // A motor that does not turn draws its start current on and on; only a supply too weak for it makes it
    // so, and that is a fault of the supply.
    for (const Start& s : starts_)
        if (s.over_at < at && s.legs.touches(legs)) return "a motor does not turn";
    // Everything that obeys is off; what does not is too much by itself, or with what nobody controls.
    for (const Seen& load : loads_)
        if (load.relay_fails && load.contact && load.plan->legs.touches(legs) && !something_left(legs))
            return "a relay does not obey, and nothing else is on";
    // The same of one that was told to stop again and again, and of all that nothing has arrived.
    for (const Seen& load : loads_)
        if (load.stops_lost >= stops_tried && load.contact && load.plan->legs.touches(legs) &&
            !something_left(legs))
            return "all commands to stop were lost, and nothing else is on";
    return std::nullopt;
}

void Judge::changed(const Mischief::Change& change) {
    const Fault& fault = *change.fault;
    const Instant now = rig_.now();
    const LegSet everywhere = LegSet::both();
    const auto while_it_lasts = [&](LegSet legs, Duration later) {
        if (change.begins)
            excuse(word(fault.kind), legs, Instant::max());
        else
            end_excuse(word(fault.kind), legs, later);
    };
    last_fault_at_ = now;
    faults_now_ += change.begins ? 1 : -1;
    for (Seen& load : loads_)
        load.starving_since.reset();
    switch (fault.kind) {
        // Whatever starts by itself meanwhile adds to what runs, and nobody can stop anything.
        case FaultKind::broker_gone:
        case FaultKind::daemon_killed:
            while_it_lasts(everywhere, reconnects + settles_);
            // The next one knows neither what it drew, so nothing shows that it goes on, nor what it was
            // told.
            for (Seen& load : loads_) {
                if (!change.begins && load.sticks_until)
                    excuse("relay stuck on", load.plan->legs, *load.sticks_until + settles_);
                if (fault.kind == FaultKind::daemon_killed) load.same_commands.clear();
            }
            break;
        // Until it counts as silent the last reading stands; then everything is counted at its worst.
        case FaultKind::meter_silent:
            if (change.begins)
                excuse("meter silent", LegSet(fault.leg),
                       now + std::max<Duration>(1s, 3 * case_.plan.meter.period) + reaction_);
            break;
        // It looks healthy and tells nothing: there is no evidence before it thaws.
        case FaultKind::meter_frozen: while_it_lasts(LegSet(fault.leg), settles_); break;
        // What ran on the larger source flows through the smaller one from the first moment on.
        case FaultKind::source_switched:
            if (change.begins) excuse("source switched", everywhere, now + settles_);
            break;
        // What the engine has left stands on no plate, and shows in its frequency only once it is too much.
        case FaultKind::engine_bogs: while_it_lasts(everywhere, settles_); break;
        // What the meters tell of one leg is true of the other, and looks healthy, too.
        case FaultKind::meters_swapped:
            meters_swapped_ = change.begins;
            while_it_lasts(everywhere, settles_);
            break;
        // Nobody pulls a cord without the supply being away; until it was, nothing tells that it is gone.
        case FaultKind::long_cord:
            if (change.begins) extra_ohm_ = fault.amount;
            cord_gone_ = !change.begins;
            break;
        default: break;
    }
    relay_changed(change);
}

void Judge::relay_changed(const Mischief::Change& change) {
    const Fault& fault = *change.fault;
    // A load's own meter may fail meanwhile, and be well again: its relay sticks on all the same.
    if (fault.kind != FaultKind::relay_stuck_on && fault.kind != FaultKind::relay_slow) return;
    Seen* load = seen(fault.load);
    if (load == nullptr) return;
    load->relay_fails = change.begins;
    load->sticks_until.reset();
    if (change.begins && fault.kind == FaultKind::relay_stuck_on) load->sticks_until = Instant(fault.to);
    if (load->sticks_until && !load->told_on) sticks_while_off(*load);
}

/// Nothing flows that would show it, and only a feedback or a meter of its own could tell.
void Judge::sticks_while_off(Seen& load) {
    const virtual_rig::RelayPlan& relay = *load.plan->relay;
    if (!relay.feedback && !load.plan->meter) load.ran_unseen_until = *load.sticks_until + relay.latency + 1s;
    excuse_stuck(load);
}

/// It may start a load that nobody has reserved for. With a feedback that is known after it was told off in
/// vain three times; without one the load starts by itself, unknown, as long as it is so.
void Judge::excuse_stuck(const Seen& load) {
    const virtual_rig::RelayPlan& relay = *load.plan->relay;
    const auto vain = 4 * (relay.latency + 1100ms);
    excuse("relay stuck on", load.plan->legs,
           relay.feedback ? rig_.now() + vain + settles_ : *load.sticks_until + settles_);
}

bool Judge::something_left(LegSet legs) const {
    return std::any_of(loads_.begin(), loads_.end(), [&](const Seen& l) {
        return l.told_on && l.contact && !l.relay_fails && l.plan->legs.touches(legs);
    });
}

/// The daemon takes the rig to be plugged in where it was, as the only word that it is not was lost on the
/// way. The meters look the same on every source, so that it cannot know, and cannot see a danger either,
/// before a person has told it.
bool Judge::misled() const {
    return source_word_lost_ && rig_.daemon_lives() && rig_.marshal().source() != source_;
}

bool Judge::bound_kept(LegSet legs) const {
    const Instant now = rig_.now();
    if (misled()) return true;
    if (!something_left(legs) || !rig_.daemon_lives() || !rig_.daemon_link().connected()) return true;
    const Duration sample = case_.plan.meter.period + configuration_.rig.timing.decision;
    return std::all_of(dangers_.begin(), dangers_.end(), [&](const Danger& d) {
        if (d.source != source_ || !d.legs.touches(legs) || !d.shown_at || now <= *d.shown_at + sample)
            return true;
        return d.answered_at && now - *d.answered_at <= settles_;
    });
}

void Judge::tripped(const virtual_rig::StoryEvent& event, const char* rule) {
    const LegSet legs = legs_of_limit(event.part);
    char what[200];
    std::snprintf(what, sizeof what, "%s, %s, at %.1f A", std::string(event.subject).c_str(),
                  std::string(event.part).c_str(), event.current_a);
    if (case_.faults.empty()) return break_rule(rule, what);
    const auto why = excused(event.at, legs);
    if (!why) return break_rule(rule, what);
    if (!bound_kept(legs))
        return break_rule("a shed is out within one sample of the evidence",
                          std::string(what) + ", during: " + *why);
    ++figures_.trips_excused;
}

// --- what happens ---

void Judge::happened(const virtual_rig::StoryEvent& event) {
    Seen* load = seen(event.subject);
    switch (event.what) {
        case Happening::contact_closed:
        case Happening::contact_opened:
            if (load == nullptr) break;
            load->contact = event.what == Happening::contact_closed;
            if (load->contact) load->contact_closed_at = event.at;
            ++operations_;
            break;
        case Happening::load_on:
            if (load) load->draws = true;
            // A charger that has tapered off: it was let run, and what it draws is lost in noise.
            if (load && event.current_a < least_seen_a) load->starving_since.reset();
            break;
        case Happening::start_began: {
            if (load == nullptr) break;
            load->draws = true;
            const auto& unit = std::get<virtual_rig::AirConditionerPlan>(load->plan->kind);
            const auto& motor = event.part == "fan" ? unit.fan : unit.compressor;
            starts_.push_back({std::string(event.subject), std::string(event.part), load->plan->legs,
                               event.at + motor.plateau + 6 * motor.fall + 50ms});
            break;
        }
        case Happening::start_ended:
        case Happening::overload_opened:
            std::erase_if(starts_,
                          [&](const Start& s) { return s.load == event.subject && s.part == event.part; });
            if (event.what == Happening::overload_opened && load) load->compressor_stopped_at = event.at;
            break;
        case Happening::load_off:
            std::erase_if(starts_, [&](const Start& s) { return s.load == event.subject; });
            if (load == nullptr) break;
            load->compressor_stopped_at = event.at;
            load->draws = false;
            break;
        case Happening::short_cycled:
            if (load) short_cycled(*load);
            break;
        case Happening::overlapped: tripped(event, "no two starts overlap beyond a limit"); break;
        case Happening::tripped:
            tripped(event, "no trip, no stall of a generator");
            open_breakers_[std::string(event.subject)] = event.at;
            break;
        case Happening::supply_lost:
            supply_lost_at_ = event.at;
            powered_ = loss_told_ = false;
            break;
        case Happening::supply_back:
            powered_ = true;
            if (cord_gone_) extra_ohm_ = 0;
            // Contacts that had no time to open let everything start again at once.
            if (supply_lost_at_ && event.at - *supply_lost_at_ < reaction_)
                excuse("supply lost", LegSet::both(), event.at + settles_);
            supply_back_at_ = event.at;
            break;
        case Happening::source_changed:
            for (std::size_t s = 0; s < case_.plan.sources.size(); ++s)
                if (case_.plan.sources[s].name == event.subject) source_ = s;
            break;
        default: break;
    }
}

/// A thermostat may do that by itself, while its contact is closed all the time and the supply is there; the
/// random rigs' do not. What a fault starts is not ours either.
void Judge::short_cycled(Seen& load) {
    if (!load.compressor_stopped_at || excused(rig_.now(), load.plan->legs) || load.relay_fails) return;
    const bool lost_meanwhile = supply_lost_at_ && *supply_lost_at_ + 1s >= *load.compressor_stopped_at;
    // A relay that failed may have opened and closed again, while it was told to be on all the time.
    const bool told_before = load.told_on && load.told_on_at <= load.compressor_stopped_at;
    const bool by_itself =
        (load.contact_closed_at <= load.compressor_stopped_at || told_before) && !lost_meanwhile;
    // No reading of a leg fell into the time that the supply was away, or none of those arrived. A plug's
    // meter may have shown it; but that would be dead itself without the supply, or sit behind a relay that
    // opened.
    const bool unseen = !loss_told_ && load.compressor_stopped_at >= supply_lost_at_ &&
                        load.compressor_stopped_at <= supply_back_at_;
    if (load.compressor_stopped_at <= load.ran_unseen_until) return;
    if (!by_itself && !unseen) break_rule("a compressor rests before it starts again", load.plan->name);
}

void Judge::sent(const SimulatedBroker::InTransit& message, std::size_t copies) {
    if (message.from == "daemon") {
        const auto found = by_set_topic_.find(message.topic);
        if (found != by_set_topic_.end() && message.to == "rig")
            command_sent(loads_[found->second], message, copies);
    } else if (copies > 0 && !case_.faults.empty() && message.from == "rig") {
        if (message.topic.ends_with("meter/l1")) reading_sent(Leg::l1, message);
        if (message.topic.ends_with("meter/l2")) reading_sent(Leg::l2, message);
    }
    if (message.from == "rig" && message.to == "daemon" && message.topic.ends_with("/source"))
        source_word_lost_ = copies == 0;
}

void Judge::command_sent(Seen& load, const SimulatedBroker::InTransit& message, std::size_t copies) {
    const Instant now = rig_.broker().now();
    const bool on = message.payload == "ON";
    if (on && !load.told_on) load.told_on_at = now;
    load.told_on = on;
    load.stops_lost = on || copies > 0 ? 0 : load.stops_lost + 1;
    if (!load.told_on) {
        for (Danger& danger : dangers_)
            if (danger.legs.touches(load.plan->legs)) danger.answered_at = now;
        // Told to stop, it runs on: until that is known and the next load has gone.
        if (copies == 0) excuse("commands lost", load.plan->legs, now + settles_);
        if (load.relay_fails) excuse("relay fails", load.plan->legs, now + settles_);
    }
    const bool refreshed = load.plan->relay->drops_out_after.has_value();
    if (message.payload != load.last_command) {
        load.same_commands.clear();
        if (!on && load.sticks_until && !load.draws) sticks_while_off(load);
    }
    load.last_command = message.payload;
    load.same_commands.push_back(now);
    while (now - load.same_commands.front() > same_commands_within)
        load.same_commands.pop_front();
    if (!refreshed && load.same_commands.size() > same_commands_max)
        break_rule("a command is not repeated without end", load.plan->name + " " + message.payload);
}

void Judge::reading_sent(Leg leg, const SimulatedBroker::InTransit& message) {
    read_a_[leg] = number_in(message.payload, "\"current\":");
    const double dead_below_v = case_.plan.nominal_v / 2;
    if (supply_lost_at_ && !loss_told_ && number_in(message.payload, "\"voltage\":") < dead_below_v)
        loss_told_ = true;
    for (Danger& danger : dangers_) {
        if (danger.source != source_ || !danger.legs.contains(leg)) continue;
        double current_a = 0;
        for (const Leg on : rules::all_legs)
            if (danger.legs.contains(on)) current_a += read_a_[on];
        const Instant before = danger.fed_at.value_or(message.due);
        danger.fed_at = std::max(before, message.due);
        const auto verdict = danger.touchiest.hold(current_a, rules::seconds(*danger.fed_at - before));
        const auto left_s = danger.touchiest.time_to_trip_s(current_a);
        const bool shown = verdict != virtual_rig::TripElement::Verdict::holds ||
                           (left_s && *left_s < rules::seconds(reaction_));
        if (!shown)
            danger.shown_at.reset();
        else if (!danger.shown_at)
            danger.shown_at = message.due;
    }
}

// --- what lasts ---

void Judge::look() {
    be_the_person();
    if (!rig_.daemon_lives()) return;
    const virtual_rig::Truth truth = rig_.truth();
    for (const auto& load : truth.loads)
        if (Seen* known = seen(load.name)) look_at(*known, load);
}

/// Closes a breaker after a while, lets a load run again that was locked out, and tells a daemon where the
/// rig is plugged in: a restarted one believes what it finds retained only if that is the smaller source.
void Judge::be_the_person() {
    const Instant now = rig_.now();
    const auto open = open_breakers_.find(case_.plan.sources[source_].name);
    if (open != open_breakers_.end() && now - open->second >= breaker_closed_after) {
        open_breakers_.erase(open);
        rig_.rig().change_supply(virtual_rig::SupplyChange::reset);
    }
    const bool knows_source = !rig_.daemon_lives() || rig_.marshal().source() == source_;
    if (knows_source)
        source_unknown_since_.reset();
    else if (!source_unknown_since_)
        source_unknown_since_ = now;
    else if (now - *source_unknown_since_ >= person_looks_after) {
        // What ran until then has to go first.
        if (misled()) excuse("source told late", LegSet::both(), now + settles_);
        rig_.set("source", "present", case_.plan.sources[source_].name);
    }
    for (Seen& load : loads_) {
        const bool locked_out =
            rig_.daemon_lives() && rig_.marshal().load(load.index).state == rules::LoadState::locked_out;
        if (locked_out && case_.faults.empty()) break_rule("no healthy load is locked out", load.plan->name);
        if (!locked_out)
            load.locked_out_at.reset();
        else if (!load.locked_out_at)
            load.locked_out_at = now;
        else if (now - *load.locked_out_at >= person_looks_after) {
            rig_.set(load.plan->name, "acknowledge", "acknowledge");
            if (load.sticks_until) excuse_stuck(load);  // the person has taken it for mended
            load.locked_out_at = now;
            load.same_commands.clear();  // whoever asks anew is answered anew
        }
    }
}

/// On the present source, beside everything that cannot be controlled and every load of higher rank, all
/// starting at once, with room to spare for every margin and error there is.
bool Judge::surely_fits(const Seen& load) const {
    const double start_share =
        std::holds_alternative<virtual_rig::BreakerPlan>(case_.plan.sources[source_].kind) ? 0.5 : 0.8;
    constexpr double running_share = 0.65;
    constexpr double least_rise_v = 10;
    const int rank = configuration_.rig.loads[load.index].rank;
    for (const Danger& danger : dangers_) {
        if (danger.source != source_ || !danger.legs.touches(load.plan->legs)) continue;
        if (load.plan->legs.count() == 2 && case_.plan.sources[source_].one_conductor) return false;
        double start_a = 0;
        double running_a = 0;
        for (std::size_t i = 0; i < ranks_.size(); ++i) {
            const auto& other = case_.plan.loads[i];
            if (ranks_[i] > rank || !other.legs.touches(danger.legs)) continue;
            const Draws draws = draws_of(other);
            const int times = danger.legs.count() == 2 ? other.legs.count() : 1;  // a 240 V load on both
            start_a += times * (1 + start_too_high) * draws.start_a;
            running_a += times * (1 + running_error) * draws.running_a;
        }
        const TripPoints& points = danger.touchiest.points();
        if (start_a > start_share * points.sudden_a || running_a > running_share * points.pickup_a)
            return false;
        if (start_a * (case_.plan.sources[source_].impedance_ohm + extra_ohm_) > least_rise_v) return false;
    }
    return true;
}

void Judge::look_at(Seen& load, const virtual_rig::LoadTruth& truth) {
    const Instant now = rig_.now();
    const bool dead = !powered_ || open_breakers_.contains(case_.plan.sources[source_].name);
    const bool waits = truth.wants && !truth.running && !dead && !load.relay_fails && !meters_swapped_ &&
                       rig_.marshal().source() == source_ && surely_fits(load);
    const auto since = [&](std::optional<Instant>& first, bool holds) {
        if (!holds) first.reset();
        if (holds && !first) first = now;
        return first ? now - *first : Duration::zero();
    };
    if (since(load.starving_since, waits) > starved_after)
        break_rule("a load that fits is not starved", load.plan->name);
    using rules::ReasonKind;
    const auto view = rig_.marshal().load(load.index);
    const bool says_no_room = view.reason.kind == ReasonKind::start_over_ceiling ||
                              view.reason.kind == ReasonKind::start_too_hot ||
                              view.reason.kind == ReasonKind::steady_full;
    const bool fault_free =
        case_.faults.empty() || (last_fault_at_ && faults_now_ == 0 && now - *last_fault_at_ > 10min);
    const bool wrong = waits && !view.commanded_on && says_no_room && fault_free;
    if (since(load.wrong_reason_since, wrong) > reason_wrong_for)
        break_rule("what waits for room would really not fit",
                   load.plan->name + " says " + rules::word(view.reason.kind));
}

/// Waits for something that must be there when nothing is broken.
bool Judge::says_it_waits(const Seen& load) const {
    using rules::ReasonKind;
    const ReasonKind kind = rig_.marshal().load(load.index).reason.kind;
    return kind == ReasonKind::waits_for_link || kind == ReasonKind::waits_for_meter ||
           kind == ReasonKind::waits_for_switch || kind == ReasonKind::waits_for_source ||
           kind == ReasonKind::supply_lost;
}

bool Judge::has_returned(const Seen& load) const {
    const auto view = rig_.marshal().load(load.index);
    return view.state != rules::LoadState::locked_out && (view.commanded_on || !says_it_waits(load));
}

void Judge::finish() {
    if (broken_) return;
    const double hours = rules::seconds(case_.time) / 3600;
    const double load_hours = hours * static_cast<double>(loads_.size());
    if (case_.faults.empty()) {
        figures_.healthy_operations = operations_;
        figures_.healthy_load_hours = load_hours;
        if (hours >= 2 && operations_ > operations_per_load_hour_max * load_hours)
            break_rule("relays are not worn out", std::to_string(operations_) + " operations");
        return;
    }
    if (!last_fault_at_ || rig_.now() - *last_fault_at_ < returned_after) return;
    for (const Seen& load : loads_)
        if (!has_returned(load))
            break_rule("after the last fault everything returns to normal",
                       load.plan->name + " is " + rig_.state(load.plan->name));
    for (const char* alert : {"meter-silent", "supply-lost", "low-voltage", "low-frequency"})
        if (rig_.alert(alert))
            break_rule("after the last fault everything returns to normal", std::string("alert ") + alert);
    for (const Seen& load : loads_)
        if (rig_.marshal().load(load.index).commanded_on && says_it_waits(load))
            break_rule("what may run does not say that it waits", load.plan->name);
}

}  // namespace ampmarshal::tests
