// Guides a person through a number of starts of one load and takes the readings of each start from the meter,
// with the detector that the rules use (rules/leg_watch.h). It only listens: the person, a thermostat or the
// daemon starts the load. A start during which anything else switches is not counted, since its readings
// would hold something that is not the load's.
//
// Knows no clock and no socket: samples and instants are handed in, sentences for the person and finished
// trials are taken out.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "daemon/trials/trial_file.h"
#include "rules/event.h"
#include "rules/leg_watch.h"
#include "rules/load.h"

namespace ampmarshal::daemon::trials {

class StartGuide {
  public:
    struct Meter {
        rules::Duration period;
        rules::Duration stale_after;
        bool holds_peaks;  ///< tells the highest current between two readings
    };

    StartGuide(rules::Load load, std::string fitting, std::size_t starts, Meter meter);

    /// Of the load's first leg.
    void sample(const rules::MeterSample& sample);
    void tick(rules::Instant now);

    /// What the person should hear, each sentence once.
    std::vector<std::string> take_words();
    const std::vector<Trial>& trials() const { return trials_; }
    bool done() const { return trials_.size() >= starts_; }

  private:
    enum class Phase {
        no_reading,  ///< until the meter is heard
        idle,        ///< the load is off: the next start may come
        starting,    ///< some of its stages run
        running,     ///< the start is over, or does not count: it must be switched off
    };

    void step(const rules::Step& step);
    void rise(const rules::Step& step);
    void fall(const rules::Step& step);
    std::optional<std::size_t> stages_in(double rise_a) const;
    void take(const rules::Step& step, std::size_t settled);
    void finish(rules::Instant at);
    void spoil(const std::string& why);
    void ask_for_start();
    void say(std::string words) { words_.push_back(std::move(words)); }
    rules::Duration hold_open() const;

    rules::Load load_;
    std::string fitting_;
    std::size_t starts_;
    Meter meter_;
    rules::LegWatch watch_;
    Phase phase_ = Phase::no_reading;
    std::optional<rules::Instant> heard_at_{};
    std::optional<double> volts_{};
    std::size_t settled_ = 0;  ///< stages that run
    double drawn_a_ = 0;       ///< by them
    double first_rise_a_ = 0;  ///< of this start
    Trial trial_{};
    std::optional<rules::Instant> rested_at_{};  ///< when it will have rested, after a stop that was seen
    bool asked_ = false;
    std::vector<Trial> trials_;
    std::vector<std::string> words_;
};

}  // namespace ampmarshal::daemon::trials
