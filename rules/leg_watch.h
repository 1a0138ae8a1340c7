// Watches the current of one leg for steps. Most of the time a leg is quiet and its level wanders slowly;
// when a load starts or stops, the current moves, peaks, and settles on a new level. A LegWatch says when
// that has happened and what it saw, in amperes; which load it was is decided elsewhere (starts.cpp), since
// only the Marshal knows who could have caused it.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <optional>

#include "rules/time.h"

namespace ampmarshal::rules {

/// From one settled level to the next.
struct Step {
    Instant began;
    Instant reached;    ///< first reading on the level after
    Instant ended;      ///< by then it was sure
    double baseline_a;  ///< level before
    double peak_a;      ///< highest seen in between
    double settled_a;   ///< level after

    double rise_a() const { return settled_a - baseline_a; }
};

class LegWatch {
  public:
    explicit LegWatch(Duration meter_period);

    /// What a movement came to: nothing, one step, or two of different loads: a fall and a rise that
    /// overlapped, or a rise that stayed for longer than any start and then a fall below where it began.
    struct Steps {
        std::optional<Step> first{};
        std::optional<Step> second{};
    };

    /// Takes the next reading. Returns steps when the leg has settled on a new level. A rise is not taken as
    /// settled before it has stood for `hold_open`: a locked rotor looks settled too, for a moment.
    Steps sample(Instant at, double current_a, std::optional<double> peak_a, Duration hold_open);

    /// A load is known to have stopped in the midst of another's rise: what is left of the movement is that
    /// rise.
    void drop(Instant at, double current_a);

    /// Nothing is heard, and a load was told to stop: it is taken to have done so.
    void assume_fall(double current_a) {
        level_a_ = std::max(0.0, level_a_ - current_a);
        now_a_ = std::max(0.0, now_a_ - current_a);
    }

    bool heard() const { return heard_; }
    bool rising() const { return moving_ && now_a_ > level_a_ + least_step_a(); }
    bool moving() const { return moving_; }
    Instant began() const { return began_; }     ///< of the movement; only while moving()
    double level_a() const { return level_a_; }  ///< last settled level
    double now_a() const { return now_a_; }
    double peak_a() const { return peak_a_; }  ///< of the movement; only while moving()
    /// Since when the current has been at least two thirds as far above the level of before as now: what
    /// flows now began no earlier, even if the movement did. Until the next movement.
    Instant so_high_since() const { return so_high_since_; }
    /// How far its readings came down at most before they rose again, or have come down now. Until the next
    /// movement.
    double fell_back_a() const { return fell_back_a_; }
    /// What was dropped in the movement, all in all. Until the next movement.
    double dropped_a() const { return dropped_a_; }
    /// The lowest of its last readings: those far above may be faults of the meter.
    double at_least_a() const;

    /// The smallest change that is taken for a step at the present level: noise grows with the current.
    double least_step_a() const { return 0.5 + 0.03 * level_a_; }

  private:
    /// A level within a movement that was held for longer than a start takes.
    struct Plateau {
        double level_a;
        Instant since;
        Instant left;
    };

    void begin(Instant at);
    void note_height(Instant at);
    bool settled(Instant at, Duration hold_open) const;
    Steps close(Instant at);

    static constexpr std::size_t recent_max = 3;
    std::size_t recent_needed_;  ///< readings in a row that must agree
    bool heard_ = false;
    bool moving_ = false;
    double level_a_ = 0;
    double now_a_ = 0;
    double peak_a_ = 0;
    double lowest_a_ = 0;
    double dropped_a_ = 0;
    Instant began_{};
    std::array<double, recent_max> recent_a_{};
    std::size_t recent_count_ = 0;
    double least_height_a_ = 0;  ///< above the level of before, since so_high_since_
    double most_height_a_ = 0;   ///< since a reading was so much higher that what was before does not matter
    double fell_back_a_ = 0;     ///< since then
    Instant so_high_since_{};
    double steady_a_ = 0;     ///< no reading has left this by a step ...
    Instant steady_since_{};  ///< ... since then
    Duration steady_for_{};   ///< ... and if for as long as this, it is no start
    std::optional<Plateau> plateau_{};
};

}  // namespace ampmarshal::rules
