#include "tests/simulation/faults.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>

#include "tests/simulation/random_rig.h"

namespace ampmarshal::tests {

namespace {

using namespace std::chrono_literals;
using rules::Duration;
using rules::from_seconds;
using rules::Instant;
using rules::Leg;
using virtual_rig::MeterFault;
using virtual_rig::Random;
using virtual_rig::RelayFault;
using virtual_rig::RigPlan;
using virtual_rig::SupplyChange;

/// One kind of fault: how often, how long, how bad. Far more often than in life, or a year would see none.
struct Habit {
    FaultKind kind;
    const char* word;
    double per_day;  ///< of each meter or relay, or of the rig
    Duration shortest;
    Duration longest;
    double least = 0;
    double most = 0;
};

constexpr std::array<Habit, fault_kinds> habits{{
    {FaultKind::readings_lost, "readings lost", 6, 10s, 30min, 0.02, 0.2},
    {FaultKind::readings_repeated, "readings repeated", 6, 10s, 30min, 0.02, 0.2},
    {FaultKind::readings_delayed, "readings delayed", 4, 10s, 30min, 0.01, 0.15},
    {FaultKind::readings_reordered, "readings reordered", 4, 10s, 30min, 0.05, 0.15},
    {FaultKind::commands_lost, "commands lost", 3, 10s, 30min, 0.05, 0.5},
    {FaultKind::commands_repeated, "commands repeated", 3, 10s, 30min, 0.05, 0.5},
    {FaultKind::broker_gone, "broker gone", 3, 1s, 10min},
    {FaultKind::meter_silent, "meter silent", 2, 500ms, 10min},
    {FaultKind::meter_frozen, "meter frozen", 1, 1s, 5min},
    {FaultKind::meter_spiking, "meter spiking", 2, 10s, 20min, 2, 60},
    {FaultKind::meter_offset, "meter offset", 2, 1min, 2h, -1, 4},
    {FaultKind::relay_stuck_on, "relay stuck on", 0.5, 5s, 20min},
    {FaultKind::relay_stuck_off, "relay stuck off", 0.5, 5s, 20min},
    {FaultKind::relay_slow, "relay slow", 0.5, 1min, 1h},
    {FaultKind::feedback_flaps, "feedback flaps", 0.5, 2s, 5min},
    {FaultKind::daemon_killed, "daemon killed", 3, 100ms, 5min},
    {FaultKind::supply_lost, "supply lost", 3, 300ms, 10min},
    {FaultKind::source_swapped, "source swapped", 2, 5s, 10min},
    {FaultKind::source_switched, "source switched", 2, 1s, 1s},
    {FaultKind::long_cord, "long cord", 2, 1min, 2h, 0.1, 0.5},
    {FaultKind::engine_bogs, "engine bogs", 2, 5s, 10min, 0.5, 0.95},
    {FaultKind::wall_clock_jumps, "wall clock jumps", 2, 1s, 1s, -1e6, 1e6},
    {FaultKind::meters_swapped, "meters swapped", 1, 10s, 20min},
    {FaultKind::own_meter_silent, "own meter silent", 2, 500ms, 30min},
    {FaultKind::own_meter_frozen, "own meter frozen", 1, 1s, 20min},
}};

const Habit& habit(FaultKind kind) {
    return *std::find_if(habits.begin(), habits.end(), [&](const Habit& h) { return h.kind == kind; });
}

bool of_network(FaultKind kind) {
    return kind <= FaultKind::commands_repeated;
}
bool of_meter(FaultKind kind) {
    return kind >= FaultKind::meter_silent && kind <= FaultKind::meter_offset;
}
bool of_relay(FaultKind kind) {
    return kind >= FaultKind::relay_stuck_on && kind <= FaultKind::feedback_flaps;
}
bool of_own_meter(FaultKind kind) {
    return kind == FaultKind::own_meter_silent || kind == FaultKind::own_meter_frozen;
}

MeterFault meter_fault(FaultKind kind) {
    switch (kind) {
        case FaultKind::meter_silent:
        case FaultKind::own_meter_silent: return MeterFault::silent;
        case FaultKind::meter_frozen:
        case FaultKind::own_meter_frozen: return MeterFault::frozen;
        case FaultKind::meter_spiking: return MeterFault::spiking;
        default: return MeterFault::offset;
    }
}

RelayFault relay_fault(FaultKind kind) {
    switch (kind) {
        case FaultKind::relay_stuck_on: return RelayFault::stuck_closed;
        case FaultKind::relay_stuck_off: return RelayFault::stuck_open;
        case FaultKind::relay_slow: return RelayFault::slow;
        default: return RelayFault::feedback_flaps;
    }
}

/// Draws one kind's spells for one thing: they come at random, and never overlap.
class Spells {
  public:
    Spells(std::uint64_t seed, const RigPlan& plan, Duration last_end)
        : seed_(seed), plan_(plan), last_end_(last_end) {}

    void draw(const Habit& habit, Leg leg, const std::string& load, std::uint64_t stream) {
        Random random(seed_, stream);
        const double mean_gap_s = 86400 / habit.per_day;
        Duration at{};
        while (true) {
            at += from_seconds(-mean_gap_s * std::log(1 - random.uniform()));
            const Duration lasts = from_seconds(
                random.log_uniform(rules::seconds(habit.shortest), 1.001 * rules::seconds(habit.longest)));
            double amount = random.uniform(habit.least, habit.most);
            if (habit.kind == FaultKind::meter_offset && amount < 0) amount *= meter_error * carried_a();
            if (at + lasts > last_end_) return;
            found_.push_back({0, habit.kind, at, at + lasts, amount, leg, load});
            at += lasts;
        }
    }

    void draw_all(const Habit& habit) {
        const auto stream = 0x700 + 100 * static_cast<std::uint64_t>(habit.kind);
        if (of_meter(habit.kind)) {
            for (const Leg leg : rules::all_legs)
                if (static_cast<int>(leg) < plan_.legs)
                    draw(habit, leg, "", stream + static_cast<std::uint64_t>(leg));
        } else if (of_relay(habit.kind) || of_own_meter(habit.kind)) {
            for (std::size_t i = 0; i < plan_.loads.size(); ++i) {
                const virtual_rig::LoadPlan& load = plan_.loads[i];
                const bool has_one = of_relay(habit.kind) ? load.relay.has_value() : load.meter.has_value();
                if (has_one) draw(habit, {}, load.name, stream + i);
            }
        } else {
            draw(habit, {}, "", stream);
        }
    }

    /// One at a time of what would undo each other: a meter has one fault, a relay too, a rig one supply.
    std::vector<Fault> in_order() {
        std::sort(found_.begin(), found_.end(),
                  [](const Fault& a, const Fault& b) { return a.from < b.from; });
        std::vector<Fault> kept;
        for (Fault& fault : found_) {
            const bool rival = std::any_of(kept.begin(), kept.end(), [&](const Fault& other) {
                return other.to >= fault.from && same_place(other, fault);
            });
            if (rival) continue;
            fault.number = kept.size();
            kept.push_back(std::move(fault));
        }
        return kept;
    }

  private:
    double carried_a() const {
        double least_a = least_carried_a(plan_.sources.front());
        for (const auto& source : plan_.sources)
            least_a = std::min(least_a, least_carried_a(source));
        return least_a;
    }
    static bool of_supply(FaultKind kind) {
        return kind >= FaultKind::supply_lost && kind <= FaultKind::source_switched;
    }
    static bool same_place(const Fault& a, const Fault& b) {
        if (of_meter(a.kind) && of_meter(b.kind)) return a.leg == b.leg;
        if (of_relay(a.kind) && of_relay(b.kind)) return a.load == b.load;
        if (of_own_meter(a.kind) && of_own_meter(b.kind)) return a.load == b.load;
        return a.kind == b.kind || (of_supply(a.kind) && of_supply(b.kind));
    }

    std::uint64_t seed_;
    const RigPlan& plan_;
    Duration last_end_;
    std::vector<Fault> found_;
};

bool on_way_to_daemon(const SimulatedBroker::InTransit& message) {
    return message.from == "rig" && message.to == "daemon";
}

}  // namespace

const char* word(FaultKind kind) {
    return habit(kind).word;
}

std::string describe(const Fault& fault) {
    char text[160];
    std::snprintf(text, sizeof text, "%3zu  %9.2f s to %9.2f s  %s", fault.number, rules::seconds(fault.from),
                  rules::seconds(fault.to), word(fault.kind));
    std::string line = text;
    if (of_meter(fault.kind)) line += std::string(" on ") + rules::name(fault.leg);
    if (!fault.load.empty()) line += " of " + fault.load;
    if (fault.amount != 0) {
        std::snprintf(text, sizeof text, ", %.3g", fault.amount);
        line += text;
    }
    return line;
}

std::vector<Fault> draw_faults(std::uint64_t seed, const RigPlan& plan, bool wireless, Duration time,
                               Duration calm_after) {
    Spells spells(seed, plan, time - calm_after);
    for (const Habit& habit : habits) {
        if (of_network(habit.kind) && !wireless) continue;
        const bool other_source =
            habit.kind == FaultKind::source_swapped || habit.kind == FaultKind::source_switched;
        if (other_source && plan.sources.size() < 2) continue;
        if (habit.kind == FaultKind::meters_swapped && plan.legs < 2) continue;
        spells.draw_all(habit);
    }
    return spells.in_order();
}

Mischief::Mischief(const std::vector<Fault>& faults, SimulatedRig& rig, std::uint64_t seed)
    : rig_(rig), random_(seed, 0x6d) {
    for (const Fault& fault : faults) {
        due_.push_back({Instant(fault.from), &fault, true});
        due_.push_back({Instant(fault.to), &fault, false});
    }
    std::stable_sort(due_.begin(), due_.end(), [](const Due& a, const Due& b) { return a.at < b.at; });
}

Instant Mischief::next() const {
    return next_ < due_.size() ? due_[next_].at : Instant::max();
}

std::vector<Mischief::Change> Mischief::work() {
    std::vector<Change> changes;
    for (; next_ < due_.size() && due_[next_].at <= rig_.now(); ++next_) {
        const Due& due = due_[next_];
        changes.push_back({due.fault, due.begins});
        if (due.begins)
            begin(*due.fault);
        else
            end(*due.fault);
    }
    return changes;
}

void Mischief::begin(const Fault& fault) {
    virtual_rig::VirtualRig& rig = rig_.rig();
    if (of_network(fault.kind)) on_the_way_.push_back(&fault);
    if (of_meter(fault.kind)) rig.set_meter_fault(fault.leg, meter_fault(fault.kind), fault.amount);
    if (of_relay(fault.kind)) rig.set_relay_fault(fault.load, relay_fault(fault.kind));
    if (of_own_meter(fault.kind)) rig.set_own_meter_fault(fault.load, meter_fault(fault.kind));
    switch (fault.kind) {
        case FaultKind::broker_gone: rig_.broker().stop("the broker is gone"); break;
        case FaultKind::daemon_killed: rig_.kill_daemon(); break;
        case FaultKind::supply_lost:
        case FaultKind::source_swapped: rig.change_supply(SupplyChange::lost); break;
        case FaultKind::source_switched:
            rig.change_supply(SupplyChange::source, source_ = 1 - source_);
            break;
        case FaultKind::long_cord: rig.set_cord(fault.amount); break;
        case FaultKind::engine_bogs: rig.weaken_engine(fault.amount); break;
        case FaultKind::meters_swapped: rig.swap_meters(true); break;
        case FaultKind::wall_clock_jumps: rig_.jump_wall_clock(from_seconds(fault.amount)); break;
        default: break;
    }
}

void Mischief::end(const Fault& fault) {
    virtual_rig::VirtualRig& rig = rig_.rig();
    std::erase(on_the_way_, &fault);
    if (of_meter(fault.kind)) rig.set_meter_fault(fault.leg, MeterFault::none);
    if (of_relay(fault.kind)) rig.set_relay_fault(fault.load, RelayFault::none);
    if (of_own_meter(fault.kind)) rig.set_own_meter_fault(fault.load, MeterFault::none);
    switch (fault.kind) {
        case FaultKind::broker_gone: rig_.broker().start(); break;
        case FaultKind::daemon_killed: rig_.start_daemon(); break;
        case FaultKind::supply_lost: rig.change_supply(SupplyChange::back); break;
        case FaultKind::source_swapped:
            rig.change_supply(SupplyChange::source, source_ = 1 - source_);
            rig.change_supply(SupplyChange::back);
            break;
        case FaultKind::long_cord: rig.set_cord(0); break;
        case FaultKind::engine_bogs: rig.weaken_engine(1); break;
        case FaultKind::meters_swapped: rig.swap_meters(false); break;
        default: break;
    }
}

std::size_t Mischief::fate(SimulatedBroker::InTransit& message) {
    std::size_t copies = 1;
    for (const Fault* fault : on_the_way_) {
        const bool command = message.from == "daemon" && message.to == "rig";
        const bool reading = on_way_to_daemon(message);
        switch (fault->kind) {
            case FaultKind::readings_lost:
                if (reading && random_.uniform() < fault->amount) return 0;
                break;
            case FaultKind::readings_repeated:
                if (reading && random_.uniform() < fault->amount) copies = 2;
                break;
            case FaultKind::readings_delayed:
                if (reading) message.due += from_seconds(fault->amount);
                break;
            case FaultKind::readings_reordered:
                if (reading) message.due += from_seconds(random_.uniform(0, fault->amount));
                break;
            case FaultKind::commands_lost:
                if (command && random_.uniform() < fault->amount) return 0;
                break;
            case FaultKind::commands_repeated:
                if (command && random_.uniform() < fault->amount) copies = 2;
                break;
            default: break;
        }
    }
    return copies;
}

}  // namespace ampmarshal::tests
