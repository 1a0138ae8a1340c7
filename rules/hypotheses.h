// What may a step on a leg have been? One Hypothesis says: this load has gained, or lost, so many stages, and
// the leg has moved by so much for it. Hypotheses collects them for one step and answers how they stand
// against each other and against what was seen. Nothing is booked here, and nobody is accused: see starts.cpp
// and stalls.cpp.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <utility>
#include <vector>

#include "rules/event.h"
#include "rules/leg_watch.h"
#include "rules/load.h"

namespace ampmarshal::rules {

inline constexpr double match_share = 0.2;       ///< a step matches a current within a fifth of it ...
inline constexpr double match_least_a = 0.8;     ///< ... or this, whichever is more
inline constexpr double wide_match_share = 0.5;  ///< for a start that was just commanded and has no rival
/// A healthy start is over between two readings that are further apart (0.1 to 0.5 s: common practice).
inline constexpr Duration slow_for_starts = std::chrono::milliseconds(500);

/// One explanation of a step: this load gains or loses stages.
struct Hypothesis {
    LoadIndex load;
    std::size_t settled_after;
    double rise_a;        ///< expected; negative for a stop
    bool in_flight;       ///< it was just commanded, so it is far likelier than what happens by itself
    bool alone = true;    ///< false: the peak was too high for this load; together with another it may fit
    bool tapers = false;  ///< it was just commanded and starts softly, so that it may draw less than ever
    double peak_off = 0;  ///< distance of the peak from this load's, where the meter sees peaks
};

/// 0 is a perfect match, 1 the edge of what still counts as one.
double distance(double seen_a, double expected_a, double share = match_share);

/// Is this no more than the peak of a healthy start may come to?
bool healthy_peak(double seen_a, double expected_a);

bool stops(const Hypothesis& h, double seen_a);

/// What these stages draw once they run, `to` not among them.
double run_between(const Load& load, std::size_t from, std::size_t to);

/// Could this load, its first stages or all of them, draw so much?
bool may_draw(const Load& load, double seen_a);

/// Collects hypotheses without allocating. A leg of thirty loads makes no more than it holds; those beyond
/// are missed as rivals.
class Hypotheses {
  public:
    void add(const Hypothesis& h) {
        if (count_ < all_.size()) all_[count_++] = h;
    }
    /// All starts of this load from where it has settled, up to each of its stages. A start must have the
    /// right peak, too: not too high, and, where the meter is fast enough, not missing.
    void add_rises(const Load& load, LoadIndex i, std::size_t settled, bool in_flight, double peak_rise_a,
                   bool sees_peaks);

    const Hypothesis* begin() const { return all_.data(); }
    const Hypothesis* end() const { return all_.data() + count_; }

    /// The one that matches clearly better than every other load's, if any.
    const Hypothesis* single(double seen_a, bool in_flight_only, double share) const;

    /// Beside the start that was just commanded, another load may have stopped: then that one, if its next
    /// start is worse.
    const Hypothesis* safest_stop(const Hypothesis* best, double seen_a,
                                  const std::vector<Load>& loads) const;

    /// Could another load have been it? One that was just commanded may draw less than it used to.
    bool rivals(const Hypothesis& best, double seen_a) const;

    /// Alone, or while another load started or stopped? What was told to stop is judged by the level.
    bool may_have_stopped(const Hypothesis& one, double seen_a) const;

    /// Only the last stage of a load is booked as stopped. May all that it draws have, as one of these starts
    /// came to the rest? Not if the last stage alone comes clearly closer.
    bool make_up_for(double whole_a, const Hypothesis& booked, double seen_a) const;

    bool any_match(double seen_a) const;

    /// Of several loads that may have stopped, the one whose next start is the worst: alone, or if none did
    /// alone, beside the start of one that was just commanded, so that the leg may even have risen. None if
    /// one of them was told to: whether it did shows on the level.
    const Hypothesis* worst_stop(double seen_a, const std::vector<Load>& loads) const;

    /// The leg rose before it fell, so that no stop alone was it. The load that may have stopped beside what
    /// rose: a start, or whatever stood as high as the leg did. Of several, the one whose next start is the
    /// worst; none if one of them was told to.
    const Hypothesis* stop_beside_rise(double seen_a, const Step& step, const std::vector<Load>& loads) const;

    /// Do all that were told to stop, together, make the step?
    bool told_to_stop_make(double seen_a) const;

    /// Another load that was not commanded, but whose peak is that of the step, while the peak of `best` is
    /// not.
    const Hypothesis* better_by_peak(const Hypothesis& best, double seen_a) const;

    /// A load that was just commanded has its hard start behind it if this was it. Another load, which starts
    /// softly and comes clearly closer; or matches, and its peak comes clearly closer.
    const Hypothesis* softer(const Hypothesis& best, double seen_a, const std::vector<Load>& loads) const;

    /// A load seems to have gone through several stages in one step. Only the first of them, if those come as
    /// close beside another load's start: then the rest is still to come.
    const Hypothesis* only_part(const Hypothesis& best, double seen_a) const;

    /// Of the same start only the first stages, if they come this near to the step by themselves.
    const Hypothesis* part_alone(const Hypothesis& start, double seen_a, double within_a) const;

    /// Could two loads that are well have come to this together? Both started, and one of them was just
    /// commanded; or the meter is so slow that any start and any other start or stop may fall between its
    /// readings. None of them is `but`.
    bool two_make(double seen_a, bool slow_meter, std::optional<LoadIndex> but = {}) const;

    /// Do two make it beside a start that was expected of a third, which is not `but`?
    bool three_make(double seen_a, LoadIndex but) const;

    /// May it have stopped while another load's start made up for it?
    bool hidden_by_start(const Hypothesis& stop, double seen_a) const;

    /// A stranger's start, where one that was commanded may just be smaller than it used to be, or, beside
    /// another's, comes to as much.
    bool commanded_may_make(const Hypothesis& stranger, double seen_a) const;

    /// Two different loads that together make the step, if exactly one pair does.
    std::optional<std::pair<Hypothesis, Hypothesis>> pair(double seen_a, bool in_flight_only) const;

  private:
    /// Of this load's start only the first stages, if they `may` be it.
    template <class May>
    const Hypothesis* first_stages(const Hypothesis& start, May may) const;
    /// The same load may as well have stopped altogether, not only its last stage: then all of its next start
    /// is reserved, and nothing is expected of what may not run.
    const Hypothesis* whole_stop(const Hypothesis& of, double seen_a) const;
    /// Did it stop as another load started that was just commanded? What the two come to may be small, and is
    /// known no better than that start is.
    bool stops_beside_start(const Hypothesis& one, double seen_a) const;
    /// Of those that `may` be it, the one whose load would draw most to start again.
    template <class May>
    const Hypothesis* worst_next_start(const std::vector<Load>& loads, May may) const;

    std::array<Hypothesis, 128> all_{};
    std::size_t count_ = 0;
};

}  // namespace ampmarshal::rules
