#include "adapters/meters.h"

#include <algorithm>
#include <utility>

namespace ampmarshal::adapters {

namespace {

/// An idle meter's noise reaches a little below zero; that far down it counts as zero.
constexpr double idle_noise_a = 0.5;
constexpr double largest_plausible_hz = 100;
/// Under half of the nominal voltage the supply is going away, and watts over volts says nothing about the
/// current.
constexpr double least_usable_voltage = 0.5;
constexpr double largest_plausible_voltage = 2;

const char* sentence_end(Rejection why) {
    switch (why) {
        case Rejection::retained:
            return " is a retained message of unknown age; have the meter publish without the retain flag.";
        case Rejection::too_large:
            return " is larger or more deeply nested than a reading can be; is this the meter's topic?";
        case Rejection::missing:
            return " has nothing at that pointer; compare it with a message of the meter.";
        case Rejection::not_a_number: return " is not a number.";
        case Rejection::out_of_range:
            return " is no value a rig can have; check the unit, and \"scale\" (-1 if the clamp sits the "
                   "wrong way round).";
    }
    return "";
}

Rejection rejection(NumberFault fault) {
    switch (fault) {
        case NumberFault::too_large: return Rejection::too_large;
        case NumberFault::missing: return Rejection::missing;
        case NumberFault::not_a_number: break;
    }
    return Rejection::not_a_number;
}

}  // namespace

Meters::Meters(std::vector<MeterWiring> wiring) {
    for (const auto& it : wiring)
        for (const Quantity quantity : all_quantities)
            if (const auto& number = where(it, quantity)) topics_.push_back(number->topic);
    std::sort(topics_.begin(), topics_.end());
    topics_.erase(std::unique(topics_.begin(), topics_.end()), topics_.end());
    for (auto& it : wiring)
        meters_.push_back({.wiring = std::move(it)});
    for (const std::string& topic : topics_)
        told_.push_back(told_on(topic));
}

Meters::Topic Meters::told_on(std::string_view topic) const {
    std::vector<std::string> pointers;
    const auto number = [&](const std::string& pointer) {
        const auto known = std::find(pointers.begin(), pointers.end(), pointer);
        const auto place = static_cast<std::size_t>(known - pointers.begin());
        if (known == pointers.end()) pointers.push_back(pointer);
        return place;
    };
    std::vector<Told> told;
    for (std::size_t i = 0; i < meters_.size(); ++i) {
        Told of_meter{i, {}};
        const MeterWiring& wiring = meters_[i].wiring;
        for (const Quantity quantity : all_quantities) {
            const auto& at = where(wiring, quantity);
            if (!at || at->topic != topic) continue;
            of_meter.what.push_back({.quantity = quantity,
                                     .number = number(at->pointer),
                                     .scale = at->scale,
                                     .plausible = plausible(wiring, quantity)});
        }
        if (!of_meter.what.empty()) told.push_back(std::move(of_meter));
    }
    return {NumbersAt(std::move(pointers)), std::move(told)};
}

const std::optional<NumberAt>& Meters::where(const MeterWiring& wiring, Quantity quantity) {
    switch (quantity) {
        case current: return wiring.current;
        case power: return wiring.power;
        case voltage: return wiring.voltage;
        case frequency: return wiring.frequency;
        case peak: break;
    }
    return wiring.peak;
}

Meters::Range Meters::plausible(const MeterWiring& wiring, Quantity quantity) {
    const double most_a = wiring.largest_plausible_a;
    switch (quantity) {
        case current:
        case peak: return {-idle_noise_a, most_a};
        case power: return {-idle_noise_a * wiring.nominal_v, most_a * wiring.nominal_v};
        case voltage: return {0, largest_plausible_voltage * wiring.nominal_v};
        case frequency: break;
    }
    return {0, largest_plausible_hz};
}

void Meters::received(rules::Instant now, const Message& message, std::vector<rules::MeterSample>& out) {
    // There are few, and mostly their lengths tell them apart.
    const auto heard = std::find(topics_.begin(), topics_.end(), message.topic);
    if (heard == topics_.end()) return;
    auto& [numbers, told] = told_[static_cast<std::size_t>(heard - topics_.begin())];
    if (!message.retained) numbers.read(message.payload);
    for (const auto& [index, what] : told) {
        Meter& meter = meters_[index];
        if (message.retained) {
            reject(meter, Rejection::retained, *where(meter.wiring, what.front().quantity));
            continue;
        }
        for (const Value& value : what)
            take(meter, value, now, numbers[value.number]);
        if (const auto complete = sample(meter, now)) out.push_back(*complete);
    }
}

void Meters::take(Meter& meter, const Value& what, rules::Instant now,
                  const std::variant<double, NumberFault>& read) {
    auto& latest = meter.latest[what.quantity];
    latest.reset();
    if (const auto* fault = std::get_if<NumberFault>(&read)) {
        reject(meter, rejection(*fault), *where(meter.wiring, what.quantity));
        return;
    }
    const double value = std::get<double>(read) * what.scale;
    if (!(value >= what.plausible.least && value <= what.plausible.most)) {
        reject(meter, Rejection::out_of_range, *where(meter.wiring, what.quantity));
        return;
    }
    latest = Known{.value = std::max(value, 0.0), .at = now};
}

void Meters::reject(Meter& meter, Rejection why, const NumberAt& where) {
    auto& count = meter.counts.rejected[static_cast<std::size_t>(why)];
    if (count++ > 0) return;
    notices_.push_back("Meter " + meter.wiring.id + ": what came on " + where.topic +
                       (where.pointer.empty() ? "" : " at " + where.pointer) + sentence_end(why));
}

std::optional<rules::MeterSample> Meters::sample(Meter& meter, rules::Instant now) {
    const auto fresh = [&](Quantity quantity) -> std::optional<double> {
        const auto& known = meter.latest[quantity];
        if (!known || now - known->at > meter.wiring.stale_after) return std::nullopt;
        return known->value;
    };
    // The current and the peak are handed on once: an old one repeated would look like a new reading.
    const auto once = [&](Quantity quantity) {
        const auto value = fresh(quantity);
        meter.latest[quantity].reset();
        return value;
    };

    const auto volts = fresh(voltage);
    auto amperes = once(current);
    if (const auto watts = once(power)) {
        const double nominal_v = meter.wiring.nominal_v;
        amperes = *watts / (volts && *volts >= least_usable_voltage * nominal_v ? *volts : nominal_v);
    }
    if (!amperes) return std::nullopt;
    ++meter.counts.accepted;
    auto highest = once(peak);
    if (highest) highest = std::max(*highest, *amperes);
    return rules::MeterSample{.at = now,
                              .leg = meter.wiring.leg,
                              .current_a = *amperes,
                              .peak_a = highest,
                              .voltage_v = volts,
                              .frequency_hz = fresh(frequency),
                              .load = meter.wiring.load};
}

std::vector<std::string> Meters::take_notices() {
    return std::exchange(notices_, {});
}

}  // namespace ampmarshal::adapters
