#include "adapters/virtual_rig/virtual_rig.h"

#include <algorithm>
#include <cassert>
#include <charconv>
#include <cmath>
#include <utility>

namespace ampmarshal::virtual_rig {

namespace {

constexpr Duration fine_step = 5ms;
constexpr Duration calm_step =
    1s;  ///< nothing but a thermostat can be that late: all else is due at its instant

// Streams of random numbers: one for each concern, the loads' from 1000 on.
constexpr std::uint64_t supply_stream = 1;
constexpr std::uint64_t meter_stream = 100;
constexpr std::uint64_t load_stream = 1000;
constexpr std::uint64_t own_meter_stream = 2000;

constexpr std::string_view on_payload = "ON";
constexpr std::string_view off_payload = "OFF";

}  // namespace

VirtualRig::VirtualRig(RigPlan plan, std::uint64_t seed, adapters::Link& link, Instant beginning)
    : plan_(std::move(plan)),
      link_(link),
      beginning_(beginning),
      time_(beginning),
      now_(beginning),
      next_(beginning) {
    assert(!plan_.sources.empty());
    const std::string root = plan_.topic_prefix + "/" + plan_.name + "/";
    source_topic_ = root + "source";
    for (std::size_t i = 0; i < plan_.loads.size(); ++i) {
        const LoadPlan& load = plan_.loads[i];
        Seat seat{&load,
                  make_load(load, beginning, Random(seed, load_stream + i)),
                  std::nullopt,
                  root + "relay/" + load.name + "/set",
                  root + "relay/" + load.name + "/state",
                  root + "setting/" + load.name + "/set",
                  {}};
        if (plan_.managed && load.relay) seat.relay.emplace(*load.relay);
        seat.record.name = load.name;
        seats_.push_back(std::move(seat));
    }
    for (std::size_t i = 0; i < plan_.loads.size(); ++i) {
        const LoadPlan& load = plan_.loads[i];
        if (!load.meter) continue;
        own_meters_.push_back({&seats_[i], Meter(*load.meter, root + "meter/" + load.name, beginning,
                                                 Random(seed, own_meter_stream + i))});
    }
    Random supply_random(seed, supply_stream);
    for (const SourcePlan& source : plan_.sources) {
        supplies_.emplace_back(source, plan_.legs,
                               draw_trip_points(source, plan_.legs, plan_.nominal_v, supply_random));
    }
    for (int i = 0; i < plan_.legs; ++i) {
        const auto stream = meter_stream + static_cast<std::uint64_t>(i);
        meters_.emplace_back(plan_.meter, root + (i == 0 ? "meter/l1" : "meter/l2"), beginning,
                             Random(seed, stream));
    }
    supplies_[source_].solve(draws_, powered());
    link_.listen(this);
    link_.subscribe(root + "relay/+/set");
    link_.subscribe(root + "setting/+/set");
    if (link_.connected()) link_up(beginning);
    next_ = find_next();
}

VirtualRig::~VirtualRig() {
    link_.listen(nullptr);
}

void VirtualRig::advance(Instant now) {
    for (Instant next = next_step(); next <= now; next = next_step()) {
        // A meter needs no step of the physics to speak, nor to look while nothing changes.
        if (next == next_) {
            step_to(next_);
            next_ = find_next();
        } else if (next == next_sample_) {
            read_meters(next);
        }
        let_meters_speak(next);
    }
    now_ = now;
}

Instant VirtualRig::find_next() const {
    Instant next = time_ + (calm_ ? calm_step : fine_step);
    const auto not_across = [&](Instant due) {
        if (due < next) next = std::max({due, time_ + Duration(1), now_});
    };
    for (const Seat& seat : seats_) {
        if (const auto due = seat.load->due()) not_across(*due);
        if (!seat.relay) continue;
        if (const auto due = seat.relay->due()) not_across(*due);
    }
    if (!calm_) {
        for (const Meter& meter : meters_)
            not_across(meter.samples_at());
        for (const OwnMeter& own : own_meters_)
            not_across(own.meter.samples_at());
    }
    if (script_next_ < plan_.supply_script.size())
        not_across(beginning_ + plan_.supply_script[script_next_].at);
    return next;
}

// The currents of the step's beginning flow through it; whatever changes, changes at its end.
void VirtualRig::step_to(Instant next) {
    const double dt_s = rules::seconds(next - time_);
    const PerLeg<double> volts = line().voltage_v;
    time_ = next;
    flow(dt_s);
    follow_script();
    move_relays();
    step_loads(dt_s, volts);
    observe();
    read_meters(time_);
}

void VirtualRig::flow(double dt_s) {
    for (Supply& supply : supplies_) {
        const auto trip = supply.flow(dt_s);
        if (!trip) continue;
        const bool sudden = trip->why == TripElement::Verdict::sudden;
        counted_.trips.push_back({time_, supply.name(), trip->limit->limit, sudden, trip->current_a});
        tell({time_, Happening::tripped, supply.name(), trip->limit->limit, trip->current_a});
    }
}

void VirtualRig::follow_script() {
    while (script_next_ < plan_.supply_script.size()) {
        const SupplyEvent& event = plan_.supply_script[script_next_];
        if (time_ < beginning_ + event.at) return;
        alter_supply(event.change, event.source);
        ++script_next_;
    }
}

void VirtualRig::change_supply(SupplyChange change, std::size_t source) {
    if (now_ > time_) step_to(now_);
    alter_supply(change, source);
    calm_ = false;
    next_ = find_next();
}

void VirtualRig::alter_supply(SupplyChange change, std::size_t source) {
    switch (change) {
        case SupplyChange::lost:
            alive_ = false;
            tell({time_, Happening::supply_lost, supplies_[source_].name(), "", 0});
            break;
        case SupplyChange::reset:
            supplies_[source_].reset();
            tell({time_, Happening::supply_back, supplies_[source_].name(), "", 0});
            break;
        case SupplyChange::back:
            alive_ = true;
            tell({time_, Happening::supply_back, supplies_[source_].name(), "", 0});
            break;
        case SupplyChange::source:
            if (source >= supplies_.size()) return;
            supplies_[source_].solve(PerLeg<Draw>{}, false);
            source_ = source;
            publish_source();
            tell({time_, Happening::source_changed, supplies_[source_].name(), "", 0});
            break;
    }
    supplies_[source_].solve(draws_, powered());
}

void VirtualRig::move_relays() {
    for (Seat& seat : seats_) {
        if (!seat.relay) continue;
        const Relay::Outcome outcome = seat.relay->settle(time_);
        if (outcome.moved || outcome.speaks) publish_contact(seat);
        if (!outcome.moved) continue;
        ++seat.record.operations;
        const bool closed = seat.relay->closed();
        tell({time_, closed ? Happening::contact_closed : Happening::contact_opened, seat.plan->name, "", 0});
    }
}

void VirtualRig::step_loads(double dt_s, const PerLeg<double>& volts) {
    draws_ = PerLeg<Draw>{};
    for (Seat& seat : seats_) {
        telling_ = &seat;
        if (seat.load->running()) seat.record.running_s += dt_s;
        const Leg leg = seat.plan->legs.first();
        seat.load->step({time_, dt_s, volts[leg], plan_.nominal_v, powered(), seat.contact()}, *this);
        for (const Leg touched : rules::all_legs) {
            if (seat.plan->legs.contains(touched)) draws_[touched] += seat.load->draw();
        }
    }
    telling_ = nullptr;
    supplies_[source_].solve(draws_, powered());
}

void VirtualRig::observe() {
    const Supply& supply = supplies_[source_];
    for (const Leg leg : rules::all_legs) {
        counted_.worst_a[leg] = std::max(counted_.worst_a[leg], line().current_a[leg]);
    }
    const auto left_s = supply.time_to_trip_s();
    if (left_s && (!counted_.least_time_to_trip_s || *left_s < *counted_.least_time_to_trip_s)) {
        counted_.least_time_to_trip_s = left_s;
    }
    int starting = 0;
    for (const Seat& seat : seats_)
        starting += seat.load->motors_starting();
    if (starting >= 2) {
        count_overlaps();
    } else {
        overlap_counted_ = false;
    }
    calm_ = starting == 0 && !supply.stressed() && !(left_s && *left_s < 2 * rules::seconds(calm_step));
}

void VirtualRig::count_overlaps() {
    bool together = false;
    const TripElement* beyond = nullptr;
    for (const TripElement& element : supplies_[source_].elements()) {
        const TripPoints& limit = element.points();
        int starting = 0;
        for (const Seat& seat : seats_) {
            const bool touches = (limit.legs.contains(Leg::l1) && seat.plan->legs.contains(Leg::l1)) ||
                                 (limit.legs.contains(Leg::l2) && seat.plan->legs.contains(Leg::l2));
            if (touches) starting += seat.load->motors_starting();
        }
        together |= starting >= 2;
        if (starting >= 2 && supplies_[source_].current_a(limit.legs) > limit.earliest_a) beyond = &element;
    }
    if (beyond != nullptr && !overlap_counted_) {
        const TripPoints& limit = beyond->points();
        ++counted_.overlaps_beyond_limit;
        tell({time_, Happening::overlapped, supplies_[source_].name(), limit.limit,
              supplies_[source_].current_a(limit.legs)});
    }
    overlap_counted_ = together && (overlap_counted_ || beyond != nullptr);
}

void VirtualRig::read_meters(Instant now) {
    for (std::size_t i = 0; i < meters_.size(); ++i) {
        const Leg leg = rules::all_legs[meters_swapped_ ? meters_.size() - 1 - i : i];
        meters_[i].work(now, line().current_a[leg], line().voltage_v[leg], line().frequency_hz);
    }
    for (auto& [seat, meter] : own_meters_) {
        const double volts = line().voltage_v[seat->plan->legs.first()];
        const Draw draw = seat->load->draw();
        meter.work(now, draw.constant_a + draw.conductance_s * volts, volts, line().frequency_hz);
    }
}

void VirtualRig::let_meters_speak(Instant now) {
    next_message_ = next_sample_ = Instant::max();
    const auto let_speak = [&](Meter& meter) {
        meter.speak(now, link_);
        next_message_ = std::min(next_message_, meter.speaks_at());
        if (calm_) next_sample_ = std::min(next_sample_, meter.samples_at());
    };
    for (Meter& meter : meters_)
        let_speak(meter);
    for (OwnMeter& own : own_meters_)
        let_speak(own.meter);
}

void VirtualRig::tell(const StoryEvent& event) {
    if (telling_ != nullptr) {
        LoadTruth& record = telling_->record;
        if (event.what == Happening::start_began) ++record.motor_starts;
        if (event.what == Happening::stalled) ++record.stalls;
        if (event.what == Happening::short_cycled) ++record.short_cycles;
    }
    if (story_) story_(event);
}

Truth VirtualRig::truth() const {
    Truth truth = counted_;
    for (const Seat& seat : seats_) {
        LoadTruth load = seat.record;
        load.wants = seat.load->wants();
        load.running = seat.load->running();
        load.temperature_c = seat.load->temperature_c();
        load.served =
            powered() && (load.running || !load.wants || load.running_s >= rules::seconds(seat.plan->enough));
        truth.motor_starts += load.motor_starts;
        if (load.served) ++truth.loads_served;
        truth.loads.push_back(std::move(load));
    }
    return truth;
}

std::string VirtualRig::drawn() const {
    std::string text;
    for (const Supply& supply : supplies_) {
        for (const TripElement& element : supply.elements()) {
            if (!text.empty()) text += "; ";
            text += supply.name() + " " + describe(element.points());
        }
    }
    return text;
}

void VirtualRig::set_relay_fault(std::string_view load, RelayFault fault) {
    for (Seat& seat : seats_) {
        if (seat.plan->name == load && seat.relay) seat.relay->set_fault(fault);
    }
    next_ = find_next();
}

void VirtualRig::set_meter_fault(Leg leg, MeterFault fault, double amount_a) {
    const auto index = static_cast<std::size_t>(leg);
    if (index < meters_.size()) meters_[index].set_fault(fault, amount_a);
}

void VirtualRig::set_own_meter_fault(std::string_view load, MeterFault fault) {
    for (auto& [seat, meter] : own_meters_)
        if (seat->plan->name == load) meter.set_fault(fault, 0);
}

void VirtualRig::set_deaf(std::string_view load, bool deaf) {
    for (Seat& seat : seats_)
        if (seat.plan->name == load) seat.deaf = deaf;
}

void VirtualRig::set_cord(double extra_ohm) {
    for (Supply& supply : supplies_)
        supply.set_cord(extra_ohm);
}

void VirtualRig::weaken_engine(double share) {
    for (Supply& supply : supplies_)
        supply.weaken(share);
}

void VirtualRig::link_up(Instant) {
    publish_source();
    for (const Seat& seat : seats_) {
        if (seat.relay) publish_contact(seat);
    }
}

// Hardware goes on without a broker; what it would have said is lost.
void VirtualRig::link_down(Instant, std::string_view) {}

void VirtualRig::received(Instant now, const adapters::Message& message) {
    const bool on = message.payload == on_payload;
    if (on || message.payload == off_payload) {
        for (Seat& seat : seats_) {
            if (!seat.relay || message.topic != seat.set_topic) continue;
            seat.relay->command(std::max(now, time_), on);
            next_ = find_next();
            return;
        }
    }
    for (Seat& seat : seats_)
        if (message.topic == seat.setting_topic && take_setting(seat, now, message.payload)) return;
    ++counted_.refused_commands;
}

bool VirtualRig::take_setting(Seat& seat, Instant now, std::string_view payload) {
    double most_a = 0;
    const char* begin = payload.data();
    const char* end = begin + payload.size();
    const auto [read, error] = std::from_chars(begin, end, most_a);
    if (error != std::errc{} || read != end || !std::isfinite(most_a) || most_a < 0) return false;
    if (seat.deaf) return true;
    if (now > time_) step_to(now);  // what flows until now knew nothing of it
    if (!seat.load->set(most_a)) return false;
    next_ = std::min(find_next(), time_ + fine_step);
    tell({time_, Happening::set, seat.plan->name, "", most_a});
    return true;
}

void VirtualRig::publish_source() {
    link_.publish({source_topic_, supplies_[source_].name(), adapters::Delivery::state});
}

void VirtualRig::publish_contact(const Seat& seat) {
    if (!seat.relay->feedback()) return;
    link_.publish({seat.state_topic, seat.relay->reports_closed() ? on_payload : off_payload,
                   adapters::Delivery::state});
}

}  // namespace ampmarshal::virtual_rig
