// The meter on one leg: what it shows of the truth, when, and how it may fail. It samples on a fixed period
// from the rig's first moment and its message leaves after its latency.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "adapters/link.h"
#include "adapters/virtual_rig/plan.h"
#include "adapters/virtual_rig/random.h"

namespace ampmarshal::virtual_rig {

class Meter {
  public:
    /// `topic`: of the JSON message, or the parent of the plain ones.
    Meter(const MeterPlan& plan, std::string topic, Instant beginning, Random random);

    /// Between samples, with every step's current: a peak-hold value misses nothing.
    void watch(double current_a) { highest_a_ = current_a > highest_a_ ? current_a : highest_a_; }
    /// Samples if it is time to.
    void work(Instant now, double current_a, double voltage_v, double frequency_hz) {
        watch(current_a);
        if (now >= next_sample_) take_samples(now, current_a, voltage_v, frequency_hz);
    }
    /// Publishes what is due.
    void speak(Instant now, adapters::Link& link) {
        if (now >= speaks_at()) publish_due(now, link);
    }
    /// `amount_a`: how far an offset or a spike is off.
    void set_fault(MeterFault fault, double amount_a) {
        fault_ = fault;
        wrong_by_a_ = amount_a;
    }
    Instant samples_at() const { return next_sample_; }
    /// When the next message leaves; the end of time if none is on its way.
    Instant speaks_at() const { return count_ > 0 ? on_its_way_[first_].leaves : Instant::max(); }

  private:
    struct Reading {
        Instant leaves;
        double current_a;
        double voltage_v;
        double frequency_hz;
        double peak_a;
    };
    void take_samples(Instant now, double current_a, double voltage_v, double frequency_hz);
    void publish_due(Instant now, adapters::Link& link);
    double wrong_a();
    const Reading& sample(Instant now, double current_a, double voltage_v, double frequency_hz);
    void publish(const Reading& reading, adapters::Link& link) const;

    MeterPlan plan_;
    MeterFault fault_;
    double wrong_by_a_ = 0;
    std::string topic_;
    std::string current_topic_;
    std::string voltage_topic_;
    std::string frequency_topic_;
    std::string peak_topic_;
    Random random_;
    Instant next_sample_;
    double highest_a_ = 0;
    Reading last_{};
    std::vector<Reading> on_its_way_;  ///< a ring, large enough for all readings within one latency
    std::size_t first_ = 0;
    std::size_t count_ = 0;
};

}  // namespace ampmarshal::virtual_rig
