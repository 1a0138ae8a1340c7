#include "adapters/virtual_rig/meter.h"

#include <algorithm>
#include <cstdint>
#include <utility>

namespace ampmarshal::virtual_rig {

namespace {

constexpr double resolution_hz = 0.01;
constexpr double spikes = 0.02;  // of all readings, while it spikes

/// As std::llround, of what is not negative: the library's is a call, and a reading needs eight.
std::int64_t rounded(double value) {
    const auto whole = static_cast<std::int64_t>(value);
    return value - static_cast<double>(whole) >= 0.5 ? whole + 1 : whole;
}

double quantised(double value, double resolution) {
    return resolution > 0 ? static_cast<double>(rounded(value / resolution)) * resolution : value;
}

/// Builds a payload on the stack. Numbers are not negative, and written with two decimals.
class Text {
  public:
    Text& add(std::string_view text) {
        end_ = std::copy(text.begin(), text.end(), end_);
        return *this;
    }
    Text& add(double value) {
        auto left = static_cast<std::uint64_t>(rounded(value * 100));
        end_ += 4;
        for (std::uint64_t beyond = 1000; beyond <= left; beyond *= 10)
            ++end_;
        char* at = end_;
        const auto put_digit = [&] {
            *--at = static_cast<char>('0' + left % 10);
            left /= 10;
        };
        put_digit();
        put_digit();
        *--at = '.';
        do
            put_digit();
        while (left > 0);
        return *this;
    }
    std::string_view view() const { return {buffer_, static_cast<std::size_t>(end_ - buffer_)}; }

  private:
    char buffer_[256];  // the keys take 45 characters, and each of four readings at most 20
    char* end_ = buffer_;
};

void publish_number(std::string_view topic, double value, adapters::Link& link) {
    link.publish({topic, Text().add(value).view(), adapters::Delivery::command});
}

}  // namespace

Meter::Meter(const MeterPlan& plan, std::string topic, Instant beginning, Random random)
    : plan_(plan),
      fault_(plan.fault),
      topic_(std::move(topic)),
      current_topic_(topic_ + "/current"),
      voltage_topic_(topic_ + "/voltage"),
      frequency_topic_(topic_ + "/frequency"),
      peak_topic_(topic_ + "/peak"),
      random_(random),
      next_sample_(beginning + plan.period),
      on_its_way_(static_cast<std::size_t>(plan.latency / plan.period) + 2) {}

void Meter::take_samples(Instant now, double current_a, double voltage_v, double frequency_hz) {
    while (now >= next_sample_) {
        if (count_ < on_its_way_.size()) {
            on_its_way_[(first_ + count_++) % on_its_way_.size()] =
                sample(now, current_a, voltage_v, frequency_hz);
        }
        next_sample_ += plan_.period;
    }
}

void Meter::publish_due(Instant now, adapters::Link& link) {
    while (now >= speaks_at()) {
        if (fault_ != MeterFault::silent) publish(on_its_way_[first_], link);
        first_ = (first_ + 1) % on_its_way_.size();
        --count_;
    }
}

double Meter::wrong_a() {
    if (fault_ == MeterFault::offset) return wrong_by_a_;
    return fault_ == MeterFault::spiking && random_.uniform() < spikes ? wrong_by_a_ : 0;
}

const Meter::Reading& Meter::sample(Instant now, double current_a, double voltage_v, double frequency_hz) {
    if (fault_ != MeterFault::frozen) {
        const double noise_a = plan_.noise_a * random_.gaussian() + wrong_a();
        const double noise_v = plan_.noise_v * random_.gaussian();
        last_.current_a = quantised(std::max(0.0, current_a + noise_a), plan_.resolution_a);
        last_.voltage_v = quantised(std::max(0.0, voltage_v + noise_v), plan_.resolution_v);
        last_.frequency_hz = quantised(frequency_hz, resolution_hz);
        last_.peak_a = quantised(std::max(0.0, highest_a_ + noise_a), plan_.resolution_a);
    }
    highest_a_ = current_a;
    last_.leaves = now + plan_.latency;
    return last_;
}

void Meter::publish(const Reading& reading, adapters::Link& link) const {
    if (plan_.format == MeterFormat::plain) {
        publish_number(current_topic_, reading.current_a, link);
        publish_number(voltage_topic_, reading.voltage_v, link);
        publish_number(frequency_topic_, reading.frequency_hz, link);
        if (plan_.peak_hold) publish_number(peak_topic_, reading.peak_a, link);
        return;
    }
    Text json;
    json.add("{\"current\":").add(reading.current_a).add(",\"voltage\":").add(reading.voltage_v);
    json.add(",\"frequency\":").add(reading.frequency_hz);
    if (plan_.peak_hold) json.add(",\"peak\":").add(reading.peak_a);
    json.add("}");
    link.publish({topic_, json.view(), adapters::Delivery::command});
}

}  // namespace ampmarshal::virtual_rig
