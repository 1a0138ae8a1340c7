// What is learned from the starts that were seen. A StageProfile belongs to one stage of one load: it is
// given each start that could only have been this stage's, one at a time, and answers three questions. How
// does it usually start? With which figures should one decide (`believed`)? Has it departed from its own past
// (`departure`)? The rules and what they cost in false alarms are told in docs/detection.md.
//
// Every figure is robust: one start caught at an odd moment moves a median and a scatter hardly at all. The
// worst start is kept as well, since that is what must fit. A profile is a plain value of about two kilobytes
// that never allocates; whoever keeps loads keeps their profiles. What is known goes in and out as a Memory,
// so that it can outlive the program.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <iterator>
#include <optional>
#include <span>
#include <string>

#include "rules/event.h"
#include "rules/load.h"
#include "rules/time.h"

namespace ampmarshal::rules {

/// Whether a meter can see the peak of a start this long: it holds peaks, or three of its readings fall into
/// the start. With fewer, the highest may lie on the way up or down.
constexpr bool sees_peak(bool holds_peaks, Duration meter_period, Duration start) {
    return holds_peaks || 3 * meter_period <= start;
}

/// One start, as far above the level before as the meter saw it.
struct SeenStart {
    double peak_a;
    double running_a;  ///< once it had settled
    Duration lasted;   ///< from the first reading that rose to the first one on the new level
    Duration period;   ///< of the meter: `lasted` may be wrong by this much
    bool saw_peak;     ///< see sees_peak; otherwise the true peak may have been higher
    std::optional<double> line_share{};   ///< line voltage at the peak, as a share of the nominal one
    std::optional<SourceIndex> source{};  ///< it started on
};

/// Middle and width of a sample. The scatter is the median distance from the median, in units in which it is
/// the standard deviation of a normal distribution.
struct Spread {
    double median;
    double scatter;
};
/// There must be at least one value; their order is lost.
Spread spread(std::span<double> values);

enum class Figure : std::uint8_t { peak, duration, running };
inline constexpr Figure all_figures[] = {Figure::peak, Figure::duration, Figure::running};

/// One figure of a start has grown out of its past: medians then and now, in amperes, or for a duration in
/// seconds.
struct Departure {
    Figure figure;
    double from;
    double to;

    friend bool operator==(const Departure&, const Departure&) = default;
};

/// The figures of a stage that decisions are made with.
struct StageFigures {
    double start_a;
    Duration start_window;
    double running_a;
};

class StageProfile {
  public:
    static constexpr std::size_t remembered = 20;  ///< starts; also how many make a past, or lower a figure
    static constexpr std::size_t in_a_row = 5;     ///< starts that must depart before it is told

    explicit StageProfile(const Stage& configured);

    /// Takes a start that could only have been this stage's. What no motor does is passed over.
    void learn(const SeenStart& start);

    /// Never less than what is configured, nor than the worst that is remembered; but the start current may
    /// be less than configured once every remembered start was seen whole, on `source`.
    StageFigures believed(std::optional<SourceIndex> source) const;

    /// The first figure that has departed from its past, if any. Only a motor's can: what a charger draws at
    /// first depends on its battery.
    std::optional<Departure> departure() const;

    /// Of the remembered starts; nothing before the first one. Peaks are reckoned to nominal voltage.
    std::optional<Spread> usual(Figure figure) const;
    /// The highest of each figure among the remembered starts, as it was seen; zeros before the first one.
    StageFigures worst() const;

    /// After a repair, or when a soft starter was fitted: everything begins anew.
    void reset() { memory_ = {}; }

    /// Plain data: what has to be kept for the profile to go on after a restart. Sources are told by their
    /// index, which is only good for one configuration: whoever stores them stores names.
    struct Memory {
        std::uint64_t seen = 0;                    ///< starts since the last reset
        std::size_t count = 0;                     ///< of `last`
        std::array<SeenStart, remembered> last{};  ///< the oldest first
        /// The highest start since the past of the peak began, at the highest voltage of the mains.
        double highest_a = 0;
        /// What each figure is held against, and whether it has departed from that.
        std::array<std::optional<Spread>, std::size(all_figures)> past{};
        std::array<bool, std::size(all_figures)> departed{};
    };
    const Memory& memory() const { return memory_; }
    /// Takes back what was kept. Nothing is taken, and what is wrong is returned, if it cannot be true.
    std::optional<std::string> restore(const Memory& kept);

  private:
    std::span<const SeenStart> starts() const { return {memory_.last.data(), memory_.count}; }
    bool may_lower(std::optional<SourceIndex> source) const;
    bool begin_past(Figure figure);
    void compare(Figure figure);

    StageFigures configured_;
    Memory memory_{};
};

/// For a person, after the load's name: "its compressor start has grown from 31 A to 44 A: capacitor, soft
/// starter or low voltage?"
std::string sentence(const Departure& departure, const Load& load, std::size_t stage);

}  // namespace ampmarshal::rules
