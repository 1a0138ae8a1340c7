// A test stand for the Marshal: a small rig built in code, and a clock and a meter that the test moves by
// hand. Nothing here decides or simulates anything; the virtual rig does that.
#pragma once

#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <stdexcept>
#include <string>
#include <vector>

#include "rules/marshal.h"

namespace ampmarshal::stand {

using namespace rules;
using namespace std::chrono_literals;

inline Load resistive(const std::string& id, int rank, double running_a, LegSet legs = LegSet(Leg::l1)) {
    Load load{.id = id,
              .name = id,
              .legs = legs,
              .rank = rank,
              .control = Control::permitted,
              .stages = {{"element", running_a, 200ms, running_a, 1s}}};
    load.switch_latency = 100ms;
    return load;
}

/// Fan, then compressor: 2 A, then `running_a` more with a start of `start_a`.
inline Load air_conditioner(const std::string& id, int rank, double start_a, double running_a,
                            LegSet legs = LegSet(Leg::l1)) {
    Load load{.id = id,
              .name = id,
              .legs = legs,
              .rank = rank,
              .control = Control::permitted,
              .stages = {{"fan", 4, 400ms, 2, 5s}, {"compressor", start_a, 500ms, running_a, 20s}}};
    load.minimum_on = 60s;
    load.minimum_off = 180s;
    load.switch_latency = 100ms;
    return load;
}

/// Starts hard and at once, without a fan before it.
inline Load motor(const std::string& id, int rank, double start_a, double running_a,
                  LegSet legs = LegSet(Leg::l1)) {
    Load load = resistive(id, rank, running_a, legs);
    load.stages = {{"motor", start_a, 500ms, running_a, 1s}};
    return load;
}

inline Load observed(const std::string& id, double running_a, LegSet legs = LegSet(Leg::l1)) {
    return {.id = id,
            .name = id,
            .legs = legs,
            .rank = 0,
            .control = Control::observed,
            .stages = {{"on", running_a * 1.1, 200ms, running_a, 1s}}};
}

inline Source breaker(double rating_a, Feed feed = Feed::one_leg) {
    return compile("breaker", "the breaker", 120, feed, BreakerPlate{rating_a});
}

inline Source generator(double running_w, double starting_w, Feed feed = Feed::one_leg) {
    return compile("generator", "the generator", 120, feed, GeneratorPlate{running_w, starting_w, 10s});
}

inline Rig rig_of(std::vector<Source> sources, std::vector<Load> loads, LegSet legs = LegSet(Leg::l1)) {
    Rig rig;
    rig.name = "test rig";
    rig.legs = legs;
    rig.sources = std::move(sources);
    rig.loads = std::move(loads);
    for (Leg leg : all_legs) {
        rig.timing.meter_period[leg] = 100ms;
        rig.timing.stale_after[leg] = 1s;
    }
    rig.timing.decision = 50ms;
    rig.timing.steady_grace = 2s;
    rig.timing.restore_after = 30s;
    rig.timing.dwell = 600s;
    return rig;
}

/// With a meter on L1 that speaks so often; see Stand::reads_every.
inline Rig with_period(Rig rig, Duration period) {
    rig.timing.meter_period[Leg::l1] = period;
    rig.timing.stale_after[Leg::l1] = 3 * period;
    return rig;
}

inline int offs(const std::vector<Switch>& commands) {
    return static_cast<int>(
        std::count_if(commands.begin(), commands.end(), [](const Switch& c) { return !c.on; }));
}

class Stand {
  public:
    explicit Stand(Rig rig, std::optional<SourceIndex> source = 0)
        : rig_(rig), marshal(std::move(rig), source, Instant{}), on_(rig_.loads.size(), false) {}

    /// Link up, a quiet meter, and long enough for every rest at the start to be over.
    void settle(double l1_a = 1, Duration for_ = 200s) {
        send(LinkChanged{now, true});
        read(l1_a, for_);
    }

    /// The meter of each leg reads this for so long (every `reads_every`). Returns what was commanded
    /// meanwhile.
    std::vector<Switch> read(double l1_a, Duration for_ = 100ms, double l2_a = 0) {
        // A test that waits for what never comes shall fail, not hang.
        if (now > Instant{} + 24h) throw std::runtime_error("a day has passed on this stand");
        std::vector<Switch> all;
        for (const Instant end = now + for_; now < end;) {
            now += reads_every;
            for (Leg leg : all_legs) {
                if (!rig_.legs.contains(leg)) continue;
                const auto seen =
                    send(MeterSample{now, leg, leg == Leg::l1 ? l1_a : l2_a, {}, voltage_v, frequency_hz});
                all.insert(all.end(), seen.begin(), seen.end());
            }
            tell_own(all);
        }
        return all;
    }

    /// The same, but only until something is commanded.
    std::vector<Switch> read_until_command(double l1_a, Duration at_most) {
        for (const Instant end = now + at_most; now < end;) {
            auto seen = read(l1_a);
            if (!seen.empty()) return seen;
        }
        return {};
    }

    /// The reading of L1 falls slowly, by so little each time that no reading is a step.
    void fade(double from_l1_a, double to_l1_a, double by_a, Duration each = 100ms) {
        const long readings = std::lround((from_l1_a - to_l1_a) / by_a);
        for (long n = 0; n < readings; ++n)
            read(from_l1_a - static_cast<double>(n) * by_a, each);
    }

    /// Time passes without a reading.
    std::vector<Switch> wait(Duration for_) {
        std::vector<Switch> all;
        for (const Instant end = now + for_; now < end;) {
            now += 100ms;
            const auto seen = send(Tick{now});
            all.insert(all.end(), seen.begin(), seen.end());
        }
        return all;
    }

    std::vector<Switch> send(const Event& event) {
        std::vector<Switch> switches;
        for (const Action& action : marshal.on(event)) {
            if (const auto* s = std::get_if<Switch>(&action)) {
                switches.push_back(*s);
                on_[s->load] = s->on;
            } else if (const auto* adjust = std::get_if<Adjust>(&action)) {
                settings_a[adjust->load] = adjust->setting_a;
                settings_told += adjust->changes ? 1 : 0;
            } else if (const auto* raised = std::get_if<AlertRaised>(&action)) {
                alerts[word(raised->kind)] = raised->load;
            } else if (const auto* cleared = std::get_if<AlertCleared>(&action)) {
                alerts.erase(word(cleared->kind));
            } else if (const auto* start = std::get_if<StartSeen>(&action)) {
                starts.push_back(*start);
            }
        }
        return switches;
    }

    bool on(LoadIndex load) const { return on_[load]; }
    std::string state(LoadIndex load) const { return word(marshal.load(load).state); }
    std::string why(LoadIndex load) const { return word(marshal.load(load).reason.kind); }
    std::string says(LoadIndex load) const {
        return sentence(marshal.load(load).reason, marshal.rig(), marshal.source(), now);
    }
    bool alert(const std::string& kind) const { return alerts.count(kind) != 0; }

  private:
    Rig rig_;

  public:
    Marshal marshal;
    Instant now{};
    Duration reads_every = 100ms;
    std::optional<double> voltage_v{};
    std::optional<double> frequency_hz{};
    std::map<std::string, std::optional<LoadIndex>> alerts;
    std::vector<StartSeen> starts;
    std::map<LoadIndex, double> settings_a;  ///< of adjustable loads, as last told
    int settings_told = 0;                   ///< how often one was changed
    std::map<LoadIndex, double> own_a;       ///< what the loads' own meters show in `read`, if they do

  private:
    void tell_own(std::vector<Switch>& all) {
        for (const auto& [load, current_a] : own_a) {
            const Load& of = rig_.loads[load];
            if (now.time_since_epoch() % of.own_meter->period != Duration::zero()) continue;
            const auto seen = send(MeterSample{now, of.legs.first(), current_a, {}, {}, {}, load});
            all.insert(all.end(), seen.begin(), seen.end());
        }
    }

    std::vector<bool> on_;
};

inline double start_headroom_a(const Stand& s) {
    return s.marshal.limits()[0].start_headroom_a;
}

}  // namespace ampmarshal::stand
