#include "daemon/steward.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
#include <utility>

#include "adapters/number_at.h"

namespace ampmarshal::daemon {

namespace {

using rules::Instant;

adapters::homie::Identity identity_of(const Configuration& c, std::int64_t version) {
    return {c.homie_domain, c.device_id, c.rig.name, version};
}

rules::Rig rig_for(const Configuration& c, Mode mode) {
    rules::Rig rig = c.rig;
    rig.observing = mode == Mode::observe;
    return rig;
}

std::string line(const char* format, auto... values) {
    char text[256];
    std::snprintf(text, sizeof text, format, values...);
    return text;
}

constexpr rules::Duration told_again_after = std::chrono::seconds(5);

/// Any event lets the Marshal look at the time: ticks are for when readings come seldom.
constexpr rules::Duration looks_every = std::chrono::milliseconds(200);

/// Reasons that pass by themselves, or that the log tells once for the whole rig.
bool told_in_passing(rules::ReasonKind kind) {
    using rules::ReasonKind;
    return kind == ReasonKind::none || kind == ReasonKind::fits || kind == ReasonKind::current_moves ||
           kind == ReasonKind::waits_for_link || kind == ReasonKind::waits_for_meter ||
           kind == ReasonKind::waits_for_switch || kind == ReasonKind::recovers;
}

/// The least that may stay on through any limit that touches the leg.
double steady_a(const rules::Source& source, rules::Leg leg) {
    double least_a = std::numeric_limits<double>::infinity();
    for (const rules::Limit& limit : source.limits)
        if (limit.legs.contains(leg)) least_a = std::min(least_a, limit.steady_a);
    return least_a;
}

/// And through both legs together.
double steady_a(const rules::Source& source) {
    double least_a = steady_a(source, rules::Leg::l1) + steady_a(source, rules::Leg::l2);
    for (const rules::Limit& limit : source.limits)
        if (limit.legs == rules::LegSet::both()) least_a = std::min(least_a, limit.steady_a);
    return least_a;
}

/// On each leg, and on both together.
bool at_least_as_tight(const rules::Source& one, const rules::Source& other) {
    const auto on_leg = [&](rules::Leg leg) { return steady_a(one, leg) <= steady_a(other, leg); };
    return std::all_of(std::begin(rules::all_legs), std::end(rules::all_legs), on_leg) &&
           steady_a(one) <= steady_a(other);
}

std::string names(const rules::Rig& rig, const std::vector<rules::LoadIndex>& loads) {
    std::string list;
    for (const rules::LoadIndex i : loads) {
        if (!list.empty()) list += ", ";
        list += rig.loads[i].name;
    }
    return list;
}

std::vector<rules::LoadIndex> taught_loads(const rules::Marshal& marshal) {
    std::vector<rules::LoadIndex> taught;
    const Lessons lessons = lessons_of(marshal);
    for (rules::LoadIndex i = 0; i < lessons.size(); ++i)
        if (std::any_of(lessons[i].begin(), lessons[i].end(), [](const auto& it) { return it.count > 0; }))
            taught.push_back(i);
    return taught;
}

std::optional<std::string> source_id(const Configuration& c, std::optional<rules::SourceIndex> source) {
    return source ? std::optional(c.rig.sources[*source].id) : std::nullopt;
}

/// The load of `next` behind the same relay: what counts is what would be switched, not what it is called.
/// One that can only be observed has no more than its id.
std::optional<rules::LoadIndex> successor(const Configuration& c, rules::LoadIndex load,
                                          const Configuration& next) {
    const auto& relay = c.switches[load];
    for (rules::LoadIndex i = 0; i < next.switches.size(); ++i) {
        const auto& other = next.switches[i];
        if (!relay && !other && next.rig.loads[i].id == c.rig.loads[load].id) return i;
        if (!relay) continue;
        if (other && other->command_topic == relay->command_topic && other->on_payload == relay->on_payload &&
            other->off_payload == relay->off_payload)
            return i;
    }
    return std::nullopt;
}

std::optional<rules::SourceIndex> source_called(const std::string& id, const rules::Rig& rig) {
    for (rules::SourceIndex i = 0; i < rig.sources.size(); ++i)
        if (rig.sources[i].id == id) return i;
    return std::nullopt;
}

}  // namespace

adapters::Will last_will(const Configuration& configuration) {
    const adapters::homie::Device device(identity_of(configuration, 0));
    return {device.state_topic(), std::string(adapters::homie::Device::will_payload), true};
}

Steward::Steward(Configuration configuration, Mode mode, adapters::Link& link, Log log, std::int64_t version,
                 Instant now)
    : configuration_(std::move(configuration)),
      mode_(mode),
      link_(link),
      log_(std::move(log)),
      marshal_(std::make_shared<rules::Marshal>(rig_for(configuration_, mode), configuration_.present_source,
                                                now)),
      meters_(configuration_.meters),
      switches_(configuration_.switches),
      device_(identity_of(configuration_, version), configuration_.rig),
      told_(configuration_.rig.loads.size()) {
    link_.listen(this);
    for (const auto& topics : {meters_.topics(), switches_.topics(), device_.topics()})
        for (const std::string& topic : topics)
            link_.subscribe(topic);
    if (configuration_.source_selection) link_.subscribe(configuration_.source_selection->topic);
    for (const auto& charge : configuration_.battery_charge)
        if (charge) link_.subscribe(charge->topic);
}

Steward::~Steward() {
    link_.listen(nullptr);
}

// --- what comes in ---

void Steward::link_up(Instant now) {
    log_(Severity::info, "connected to the broker");
    take_inherited(now);
    device_.link_up(adapters::snapshot(*marshal_, now), now, link_);
    feed(rules::LinkChanged{now, true});
}

void Steward::link_down(Instant now, std::string_view why) {
    log_(Severity::warning, "no connection to the broker: " + std::string(why));
    switches_.link_down();
    feed(rules::LinkChanged{now, false});
}

void Steward::received(Instant now, const adapters::Message& message) {
    samples_.clear();
    meters_.received(now, message, samples_);
    for (const auto& sample : samples_)
        feed(sample);

    feedbacks_.clear();
    switches_.received(now, message, feedbacks_);
    for (const auto& feedback : feedbacks_)
        feed(feedback);

    requests_.clear();
    std::string refusal = device_.received(now, message, requests_);
    for (const auto& request : requests_) {
        feed(request);
        const auto* asked = std::get_if<rules::OperatorRequest>(&request);
        if (asked && asked->request == rules::Request::forget) keep_lessons_at_once();
    }
    asked_ |= !requests_.empty() || !refusal.empty();
    if (!refusal.empty()) tell_refusal(std::move(refusal));
    if (configuration_.source_selection && message.topic == configuration_.source_selection->topic)
        source_told(now, message);
    charge_told(now, message);
}

/// A retained charge may be from before the drive: it is not believed.
void Steward::charge_told(Instant now, const adapters::Message& message) {
    const auto source = marshal_->source();
    if (message.retained || !source || *source >= configuration_.battery_charge.size()) return;
    const auto& charge = configuration_.battery_charge[*source];
    if (!charge || charge->topic != message.topic) return;
    adapters::NumbersAt number({charge->pointer});
    number.read(message.payload);
    const double* read = std::get_if<double>(&number[0]);
    const double percent = read ? *read * charge->scale : -1;
    if (percent >= 0 && percent <= 100) {
        feed(rules::BatteryCharge{now, percent});
    } else if (!std::exchange(bad_charge_told_, true)) {
        log_(Severity::warning, "'" + charge->topic + "' tells no charge from 0 to 100 %: ignored");
    }
}

/// Whoever sends nonsense often sends the same again and again.
void Steward::tell_refusal(std::string refusal) {
    if (refusal == last_refusal_) return;
    log_(Severity::warning, refusal);
    last_refusal_ = std::move(refusal);
}

void Steward::source_told(Instant now, const adapters::Message& message) {
    const SourceSelection& selection = *configuration_.source_selection;
    adapters::Payload payload(message.payload);
    const auto name = payload.text(selection.pointer);
    const auto found = name ? selection.names.find(*name) : selection.names.end();
    if (found == selection.names.end()) {
        tell_refusal("'" + selection.topic + "' names no source of the configuration: ignored");
        return;
    }
    if (message.retained)
        source_remembered(now, found->second);
    else
        feed(rules::SourceChanged{now, found->second});
}

/// A retained choice may be from the last campground, so it is believed only if it makes the limits tighter.
/// Where it makes one tighter and another not, no guess is safe.
void Steward::source_remembered(Instant now, rules::SourceIndex choice) {
    if (!marshal_->source()) return;
    const rules::Source& remembered = configuration_.rig.sources[choice];
    const rules::Source& present = configuration_.rig.sources[*marshal_->source()];
    if (at_least_as_tight(remembered, present)) {
        feed(rules::SourceChanged{now, choice});
    } else if (!at_least_as_tight(present, remembered)) {
        log_(Severity::warning, "the rig was on '" + remembered.id + "' once, which carries less than '" +
                                    present.id +
                                    "' on one leg or both and more on another: nothing is "
                                    "let run before somebody says which it is");
        feed(rules::SourceChanged{now, std::nullopt});
    }
}

void Steward::tick(Instant now) {
    if (command_lost_ && link_.connected()) {
        command_lost_ = false;
        feed(rules::LinkChanged{now, false});
        feed(rules::LinkChanged{now, true});
    }
    if (now - fed_at_ >= looks_every) feed(rules::Tick{now});
    switches_.refresh(now, link_);
    tell_news(now);
    notices();
}

void Steward::notices() {
    for (const std::string& notice : meters_.take_notices())
        log_(Severity::warning, notice);
    for (const std::string& notice : switches_.take_notices())
        log_(Severity::warning, notice);
}

void Steward::stop(Instant now, OnStop what) {
    if (what == OnStop::hold && mode_ == Mode::command)
        hold_all(now);
    else
        log_(Severity::info, "switches are left as they are");
    lessons_tried_at_.reset();
    tell_news(now);
    device_.stop(now, link_);
}

void Steward::hold_all(Instant now) {
    std::vector<rules::LoadIndex> controlled;
    for (rules::LoadIndex i = 0; i < configuration_.rig.loads.size(); ++i)
        if (configuration_.rig.loads[i].controlled()) controlled.push_back(i);
    if (tell_to_stop(now, controlled)) log_(Severity::info, "every load was told to stop");
}

bool Steward::tell_to_stop(Instant now, const std::vector<rules::LoadIndex>& loads) {
    std::vector<rules::LoadIndex> untold;
    for (const rules::LoadIndex i : loads)
        if (!switches_.command(now, link_, i, false)) untold.push_back(i);
    if (untold.empty()) return true;
    log_(Severity::warning,
         "could not be told to stop, for want of a connection: " + names(configuration_.rig, untold));
    return false;
}

// --- a new configuration ---

void Steward::take_inherited(Instant now) {
    for (rules::Event& known : std::exchange(inherited_, {})) {
        std::visit([&](auto& event) { event.at = now; }, known);
        feed(known);
    }
}

void Steward::inherit(Heritage heritage) {
    inherited_ = std::move(heritage.events);
    if (heritage.before) {
        marshal_->succeed(*heritage.before, heritage.heirs, heritage.sources);
        keep_lessons_at_once();  // loads may have other names now, and the file may be another
    }
    for (const std::string& wrong : recall(heritage.lessons, *marshal_))
        log_(Severity::warning, wrong);
    const auto taught = taught_loads(*marshal_);
    if (!heritage.before && !taught.empty())
        log_(Severity::info,
             "what their starts had taught is known again: " + names(configuration_.rig, taught));
}

Heritage Steward::hand_over(Instant now, const Configuration& next) {
    take_inherited(now);  // where the link has not come up since the last reload
    std::vector<rules::LoadIndex> dropped;
    for (rules::LoadIndex i = 0; i < configuration_.rig.loads.size(); ++i)
        if (configuration_.rig.loads[i].controlled() && !successor(configuration_, i, next))
            dropped.push_back(i);
    const bool hold = configuration_.on_stop == OnStop::hold && mode_ == Mode::command;
    if (hold && !dropped.empty() && tell_to_stop(now, dropped))
        log_(Severity::info, "no longer controlled, told to stop: " + names(configuration_.rig, dropped));
    tell_news(now);
    device_.leave_to(adapters::RigDevice(identity_of(next, 0), next.rig));
    device_.stop(now, link_);

    Heritage heritage{.before = marshal_};
    for (const rules::Source& source : configuration_.rig.sources)
        heritage.sources.push_back(source_called(source.id, next.rig));
    std::vector<rules::Event>& known = heritage.events;
    if (const auto source = source_in(next, now)) known.emplace_back(*source);
    if (marshal_->everything_stopped()) known.emplace_back(rules::StopEverything{now, true});
    for (rules::LoadIndex i = 0; i < configuration_.rig.loads.size(); ++i) {
        const auto heir = heritage.heirs.emplace_back(successor(configuration_, i, next));
        if (!heir || !next.rig.loads[*heir].controlled()) continue;
        const rules::LoadView view = marshal_->load(i);
        // What the file says anew, it says on purpose; what it says still, may have been changed since.
        if (configuration_.rig.loads[i].wanted_at_start == next.rig.loads[*heir].wanted_at_start)
            known.emplace_back(rules::DemandChanged{now, *heir, view.wanted});
        // A lockout ends when a person has looked, not when a file is read.
        if (view.lockout != rules::Lockout::none)
            known.emplace_back(rules::LockoutRecalled{now, *heir, view.lockout});
        if (view.held) known.emplace_back(rules::OperatorRequest{now, *heir, rules::Request::hold});
        if (view.preferred_until)
            known.emplace_back(
                rules::OperatorRequest{now, *heir, rules::Request::prefer, *view.preferred_until});
        if (view.commanded_on) known.emplace_back(rules::SwitchFeedback{now, *heir, true, false});
    }
    return heritage;
}

/// The source in force, as it stands in `next`; nothing if `next` itself says where the rig is plugged in.
std::optional<rules::SourceChanged> Steward::source_in(const Configuration& next, Instant now) const {
    if (source_id(configuration_, configuration_.present_source) != source_id(next, next.present_source))
        return std::nullopt;
    const auto id = source_id(configuration_, marshal_->source());
    if (!id) return rules::SourceChanged{now, std::nullopt};
    const auto named = source_called(*id, next.rig);
    return named ? std::optional(rules::SourceChanged{now, named}) : std::nullopt;
}

// --- what goes out ---

void Steward::feed(const rules::Event& event) {
    fed_at_ = std::visit([](const auto& e) { return e.at; }, event);
    const auto actions = marshal_->on(event);
    if (actions.empty()) return;
    command(actions, fed_at_);
    // What is to be told waits for the next tick, so that the broker gets the processor and passes the
    // command on: for a shed every millisecond counts.
    news_.insert(news_.end(), actions.begin(), actions.end());
}

/// Nothing that is kept changes without an action. Before the link is up, what was kept is not yet known
/// here.
void Steward::keep_news() {
    if (!keep_ || news_.empty() || !inherited_.empty()) return;
    Memory memory = memory_of(*marshal_);
    if (memory != kept_ && keep_(memory)) kept_ = std::move(memory);
}

/// Not every start that was seen has taught something; that costs a write now and then.
void Steward::keep_lessons(Instant now) {
    lessons_new_ |= std::any_of(news_.begin(), news_.end(), [](const rules::Action& action) {
        return std::holds_alternative<rules::StartSeen>(action);
    });
    if (!keep_lessons_ || !lessons_new_) return;
    if (lessons_tried_at_ && now - *lessons_tried_at_ < lessons_kept_every) return;
    lessons_tried_at_ = now;
    lessons_new_ = !keep_lessons_(lessons_of(*marshal_));
}

void Steward::keep_lessons_at_once() {
    lessons_new_ = true;
    lessons_tried_at_.reset();
}

void Steward::tell_news(Instant now) {
    keep_news();
    keep_lessons(now);
    for (const rules::Action& action : news_)
        tell(action, now);
    if (!worth_showing(now)) return;
    shown_ = &snapshots_.take(news_, now);
    tell_waiting(now);
    device_.apply(news_, *shown_, now, link_);
    news_.clear();
    asked_ = false;
    shown_at_ = now;
}

/// To gather all that is shown takes longer than a decision, and without news only readings change.
bool Steward::worth_showing(Instant now) const {
    if (!news_.empty() || asked_ || shown_ == nullptr || now - shown_at_ >= adapters::reading_every)
        return true;
    const auto moved = [](std::optional<double> before, std::optional<double> after, double jump) {
        return before.has_value() != after.has_value() || (before && std::abs(*after - *before) >= jump);
    };
    return std::any_of(std::begin(rules::all_legs), std::end(rules::all_legs), [&](rules::Leg leg) {
        return moved(shown_->legs[leg].current_a, marshal_->current_a(leg), adapters::jump_a) ||
               moved(shown_->legs[leg].voltage_v, marshal_->voltage_v(leg), adapters::jump_v);
    });
}

void Steward::command(std::span<const rules::Action> actions, Instant now) {
    if (mode_ == Mode::observe) return;
    for (const rules::Action& action : actions) {
        if (const auto* wanted = std::get_if<rules::Switch>(&action))
            command_lost_ |= !switches_.command(now, link_, wanted->load, wanted->on);
        else if (const auto* adjust = std::get_if<rules::Adjust>(&action))
            command_lost_ |= !switches_.adjust(now, link_, adjust->load, adjust->setting_a);
    }
}

void Steward::tell(const rules::Action& action, Instant now) {
    const auto& rig = marshal_->rig();
    const auto words = [&](const rules::Reason& reason) {
        return sentence(reason, rig, marshal_->source(), now);
    };
    const auto about = [&](std::optional<rules::LoadIndex> load) {
        return load ? rig.loads[*load].name : rig.name;
    };
    if (const auto* s = std::get_if<rules::Switch>(&action)) {
        if (!s->changes) return;
        told_[s->load] = {s->reason.kind, now};
        const std::string verb =
            mode_ == Mode::observe ? (s->on ? "would grant" : "would stop") : (s->on ? "granted" : "off");
        log_(Severity::info, rig.loads[s->load].name + ": " + verb + " (" + words(s->reason) + ")");
    } else if (const auto* adjust = std::get_if<rules::Adjust>(&action)) {
        if (!adjust->changes) return;
        told_[adjust->load] = {adjust->reason.kind, now};
        log_(Severity::info, rig.loads[adjust->load].name + line(": set to %.1f A (", adjust->setting_a) +
                                 words(adjust->reason) + ")");
    } else if (const auto* start = std::get_if<rules::StartSeen>(&action)) {
        const auto& load = rig.loads[start->load];
        log_(Severity::info,
             load.name + ": " + load.stages[start->stage].name +
                 line(" start seen, %.1f A over %.1f A at its peak, %.1f A running",
                      start->peak_a - start->baseline_a, start->baseline_a, start->running_a));
    } else if (const auto* raised = std::get_if<rules::AlertRaised>(&action)) {
        log_(Severity::warning, "alert " + std::string(word(raised->kind)) + ": " +
                                    adapters::alert_sentence(*raised, rig, marshal_->source(), now));
    } else if (const auto* cleared = std::get_if<rules::AlertCleared>(&action)) {
        log_(Severity::info, "all clear, " + about(cleared->load) + ": " + word(cleared->kind));
    }
}

/// Why each load waits, when that has become something else; not every flicker, and not what all loads wait
/// for.
void Steward::tell_waiting(Instant now) {
    for (rules::LoadIndex i = 0; i < told_.size(); ++i) {
        const rules::ReasonKind reason = shown_->loads[i].reason;
        if (reason == told_[i].reason || now - told_[i].at < told_again_after || told_in_passing(reason))
            continue;
        const auto view = marshal_->load(i);
        if (view.commanded_on) continue;
        told_[i] = {view.reason.kind, now};
        log_(Severity::info, marshal_->rig().loads[i].name + ": " + word(view.state) + " (" +
                                 sentence(view.reason, marshal_->rig(), marshal_->source(), now) + ")");
    }
}

}  // namespace ampmarshal::daemon
