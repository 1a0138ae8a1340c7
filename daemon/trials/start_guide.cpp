#include "daemon/trials/start_guide.h"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <utility>

#include "daemon/trials/figures.h"

namespace ampmarshal::daemon::trials {

using rules::Duration;
using rules::Instant;

namespace {

constexpr double times_off = 2;        ///< what a configuration may be wrong by, and the load still be known
constexpr double stopped_share = 0.3;  ///< of its first rise: what is left of a load that has stopped

std::string amperes(double current_a) {
    return figure(current_a, 1) + " A";
}

std::string spell(Duration duration) {
    const auto s = std::chrono::ceil<std::chrono::seconds>(duration).count();
    return s >= 120 ? std::to_string((s + 59) / 60) + " min" : std::to_string(s) + " s";
}

}  // namespace

StartGuide::StartGuide(rules::Load load, std::string fitting, std::size_t starts, Meter meter)
    : load_(std::move(load)),
      fitting_(std::move(fitting)),
      starts_(starts),
      meter_(meter),
      watch_(meter.period) {
    if (!meter_.holds_peaks) {
        const auto period_ms = std::chrono::duration_cast<std::chrono::milliseconds>(meter_.period).count();
        say("The meter reads every " + std::to_string(period_ms) +
            " ms and tells no peaks between its readings: a motor's start can be higher than it shows. Take "
            "the starts by hand with an inrush meter, or give the configuration the meter's peak.");
    }
}

std::vector<std::string> StartGuide::take_words() {
    return std::exchange(words_, {});
}

/// A rise is not taken as settled before the stage that may cause it has had its window.
Duration StartGuide::hold_open() const {
    const std::size_t next = std::min(settled_, load_.stages.size() - 1);
    return phase_ == Phase::idle || phase_ == Phase::starting ? load_.stages[next].start_window : Duration{};
}

void StartGuide::ask_for_start() {
    asked_ = true;
    say("Start " + std::to_string(trials_.size() + 1) + " of " + std::to_string(starts_) +
        ": leave everything else as it is, and start " + load_.name + ".");
}

void StartGuide::sample(const rules::MeterSample& sample) {
    if (done()) return;
    heard_at_ = sample.at;
    if (sample.voltage_v) volts_ = sample.voltage_v;
    if (phase_ == Phase::no_reading) {
        phase_ = Phase::idle;
        say("The line carries " + amperes(sample.current_a) +
            (volts_ ? " at " + figure(*volts_, 1) + " V." : "."));
        ask_for_start();
    }
    const auto steps = watch_.sample(sample.at, sample.current_a, sample.peak_a, hold_open());
    for (const auto& one : {steps.first, steps.second})
        if (one && !done()) step(*one);
}

void StartGuide::tick(Instant now) {
    if (done()) return;
    if (heard_at_ && now - *heard_at_ > meter_.stale_after) {
        heard_at_.reset();
        watch_ = rules::LegWatch(meter_.period);
        if (phase_ == Phase::starting) spoil("the meter fell silent");
        say("The meter is silent; waiting for it.");
    }
    if (phase_ == Phase::idle && !asked_ && rested_at_ && now >= *rested_at_) ask_for_start();
}

void StartGuide::step(const rules::Step& step) {
    step.rise_a() > 0 ? rise(step) : fall(step);
}

/// How many stages run after this rise: those whose running current comes closest to it.
std::optional<std::size_t> StartGuide::stages_in(double rise_a) const {
    std::optional<std::size_t> best;
    double best_off = times_off;
    double expected_a = 0;
    for (std::size_t s = settled_; s < load_.stages.size(); ++s) {
        expected_a += load_.stages[s].running_a;
        const double off = std::max(rise_a / expected_a, expected_a / rise_a);
        if (off > best_off) continue;
        best = s + 1;
        best_off = off;
    }
    return best;
}

void StartGuide::rise(const rules::Step& step) {
    if (phase_ == Phase::running) return;  // whatever else comes on now is in no trial
    const auto settled = stages_in(step.rise_a());
    if (settled) return take(step, *settled);
    const std::string told =
        amperes(step.rise_a()) + " came on, which is not what the configuration says of " + load_.name;
    if (phase_ == Phase::starting) return spoil(told);
    say(told + ": not counted. If it was " + load_.name + ", put its running_a right.");
}

void StartGuide::take(const rules::Step& step, std::size_t settled) {
    if (phase_ == Phase::idle) {
        phase_ = Phase::starting;
        trial_ = Trial{.place = {}, .load = load_.id, .fitting = fitting_, .before_a = step.baseline_a};
        drawn_a_ = 0;
        first_rise_a_ = step.rise_a();
        if (settled < load_.stages.size()) trial_.fan_start_a = step.peak_a;
    } else {
        trial_.fan_running_a = step.baseline_a;
        trial_.fan_start_a = std::max(*trial_.fan_start_a, step.baseline_a);
    }
    settled_ = settled;
    drawn_a_ += step.rise_a();
    trial_.start_a = std::max(trial_.start_a, step.peak_a);
    trial_.running_a = step.settled_a;
    if (settled_ == load_.stages.size()) return finish(step.ended);
    say(load_.stages[settled_ - 1].name + " runs with " + amperes(step.rise_a()) + "; now let " +
        load_.stages[settled_].name + " come.");
}

void StartGuide::finish(Instant at) {
    const bool with_fan = trial_.fan_running_a.has_value();
    if (!trials_.empty() && trials_.front().fan_running_a.has_value() != with_fan)
        return spoil(with_fan ? "its stages came one after the other, unlike before"
                              : "its stages came at once, unlike before");
    trial_.volts = volts_;
    if (rested_at_ && at < *rested_at_)
        say("It started before its rest of " + spell(load_.minimum_off) +
            " was over; a compressor under pressure starts harder.");
    phase_ = Phase::running;
    trials_.push_back(trial_);
    say("Start " + std::to_string(trials_.size()) + ": " + amperes(trial_.before_a) + " before, " +
        (with_fan ? amperes(*trial_.fan_running_a) + " just before the highest, " : "") +
        amperes(trial_.start_a) + " at its highest, " + amperes(trial_.running_a) + " running.");
    if (!done()) say("Now switch " + load_.name + " off.");
}

void StartGuide::spoil(const std::string& why) {
    phase_ = Phase::running;
    say("This start is not counted: " + why + ". Switch " + load_.name + " off.");
}

/// What remains after the falls seen so far tells whether the load has stopped: it may stop by stages.
void StartGuide::fall(const rules::Step& step) {
    if (phase_ == Phase::idle || phase_ == Phase::no_reading) return;
    const bool its_own = -step.rise_a() <= drawn_a_ * times_off;
    if (phase_ == Phase::starting) spoil("something stopped meanwhile");
    if (!its_own) return;
    drawn_a_ += step.rise_a();
    if (drawn_a_ > stopped_share * first_rise_a_) return;
    phase_ = Phase::idle;
    settled_ = 0;
    asked_ = false;
    rested_at_ = step.ended + load_.minimum_off;
    say(load_.name + " has stopped." +
        (load_.minimum_off > Duration::zero() ? " Let it rest for " + spell(load_.minimum_off) + "." : ""));
}

}  // namespace ampmarshal::daemon::trials
