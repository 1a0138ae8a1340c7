// The inside of the Marshal, shared by the files that implement it and by nobody else.
// marshal.cpp takes events and keeps the books (meters, switches, demand, images), and offers the views.
// starts.cpp explains steps on the legs by loads: started, settled, stopped (hypotheses.h: what could it be).
// doubts.cpp keeps what may have happened instead, unseen.
// stalls.cpp says when a start has failed, and of whom.
// obedience.cpp tells switches again what may have been lost, and judges who does not do as it was told.
// worst_case.cpp turns the books into a Prospect.
// decide.cpp sheds what must go and grants what may start.
// calm.cpp says when that need not be looked at again.
// own_meter.cpp takes the word of loads that have a meter of their own.
// adjust.cpp turns adjustable loads down before that, and up again after.
// voltage.cpp watches the line: low, high, bogging, an open neutral.
// tell.cpp says what state each load is in, and raises alerts.
// Every function here works on the state as it is at `now`, the instant of the event being handled.
#pragma once

#include <algorithm>
#include <array>
#include <optional>
#include <string>
#include <vector>

#include "rules/hypotheses.h"
#include "rules/impedance.h"
#include "rules/learned_starts.h"
#include "rules/leg_watch.h"
#include "rules/marshal.h"
#include "rules/standing.h"

namespace ampmarshal::rules {

/// A load that was told to stop, between the command and its effect on the meter. Its current is taken off
/// the books until `counts_until`, so that one overload is not shed for twice; and no longer, so that an
/// effect that does not come is not trusted.
struct Relief {
    double drawn_a;
    PerLeg<double> before_a;  ///< the readings at the command
    Instant counts_until;
    Instant judged_at;       ///< if the current has not fallen by then, the load has disobeyed
    bool amid_rise = false;  ///< another load was just starting on its legs
    bool obeyed = false;     ///< something has fallen
    bool seen = false;       ///< the current has fallen: the readings tell it now
    bool told_again = false;
};

/// The changing half of a load.
struct Track {
    bool wanted = true;
    bool held = false;
    Lockout lockout = Lockout::none;
    bool on = false;                     ///< last commanded on, or found on
    bool stuck = false;                  ///< stays on whatever it is told: counted, never relied on to stop
    bool heard = false;                  ///< its switch has spoken since the link came up
    bool asserted = false;               ///< its switch was told what it should be since the link came up
    Instant repeats_until{};             ///< each repeat of its last command moves this on: see tell_again
    std::optional<bool> advised{};       ///< while only observing: what we would have commanded last
    std::size_t settled = 0;             ///< stages that run
    std::size_t perhaps_settled = 0;     ///< or up to so many, if a start that was left to nobody was its own
    bool sure = false;                   ///< nobody else can have been what was booked to it
    std::optional<LoadIndex> or_else{};  ///< booked for a stop that may have been this load's
    bool awaited = false;                ///< its last start was expected when it came
    bool surely_fell = false;            ///< its stop was seen on the leg, and can have been no other's
    double drawn_a = 0;                  ///< by the settled stages
    double perhaps_a = 0;                ///< and by the others, if what nobody is known to draw is its own
    std::optional<Instant> stage_due{};  ///< a start is in flight: the next stage is expected until then
    Instant perhaps_due{};  ///< another load may have been its last hard start: until then it may still come
    bool likely_due = false;        ///< more likely so: that showed no peak, or its fan may have come anew
    PerLeg<double> granted_at_a{};  ///< readings when it was granted,
    double unknown_at_a = 0;        ///< and what nobody was known to draw of that, on its first leg
    Instant switched_at{};          ///< last change of `on`
    Instant stopped_at{};           ///< its rest counts from here
    Instant booked_at{};            ///< last change of `settled`
    std::optional<Instant> settles_at{};  ///< told to stop; until then its current may still fall
    std::optional<Relief> relief{};
    bool shed = false;                    ///< taken off while wanted, not back yet
    std::optional<Instant> not_before{};  ///< earliest return after a shed or a failed start
    std::optional<LoadIndex> pushed_by{};
    Instant pushed_at{};
    std::optional<Instant> claim_until{};  ///< room is being made for it
    std::optional<int> asked_again{};      ///< how often it was told the same since its switch said nothing
    int offs_repeated = 0;                 ///< told off, its switch said it is on, told again
    std::optional<Instant> reported_off_at{};  ///< its switch says it is off, since then
    int sheds_in_a_row = 0;
    std::optional<bool> reported{};  ///< by its switch, since it was last commanded
    Reason reason{};
    LoadState state = LoadState::off;
    Reason told{};  ///< as last announced
    bool told_wanted = true;
    bool told_held = false;
    double told_setting_a = 0;
    std::optional<Instant> preferred_until{};
    std::optional<Instant> told_preferred_until{};
    Instant adjusted_at{};                 ///< last change of its setting
    std::optional<Instant> rises_until{};  ///< turned up; by then it draws what it is set to
    bool not_adjusted = false;             ///< it was turned down, and nothing fell
    int stalls = 0;                        ///< since it last ran
};

/// Counts how long something has been so. It runs back at a quarter of its speed, so that flapping cannot put
/// off what follows from it.
class Persistence {
  public:
    void note(bool holds, Duration passed) {
        spent_s_ = holds ? spent_s_ + seconds(passed) : std::max(0.0, spent_s_ - drained * seconds(passed));
    }
    bool reached(Duration needed) const { return spent_s_ >= seconds(needed); }
    bool gone() const { return spent_s_ <= 0; }
    void fill(Duration needed) { spent_s_ = seconds(needed); }
    void reset() { spent_s_ = 0; }

  private:
    static constexpr double drained = 0.25;
    double spent_s_ = 0;
};

struct LegBooks {
    explicit LegBooks(Duration meter_period) : watch(meter_period) {}
    LegWatch watch;
    std::optional<Instant> heard_at{};
    Instant silent_after = Instant::min();    ///< unless it is heard again
    std::optional<Instant> heard_again_at{};  ///< for the first time after it was silent
    std::optional<double> voltage_v{};
    std::optional<double> quiet_v{};  ///< before the current began to move
    double extreme_a = 0;             ///< the reading furthest above the level in this movement ...
    double extreme_v = 0;             ///< ... and the voltage at it
    std::optional<double> frequency_hz{};
    SourceImpedance impedance{};
    Persistence low_voltage{};
    Persistence high_voltage{};
    Persistence low_frequency{};
    bool holds_peaks = false;          ///< the meter tells the highest current between two readings
    bool explained = false;            ///< it rises, and the start of a load that may start explains it
    bool dead = false;                 ///< the voltage is gone
    std::optional<Instant> back_at{};  ///< and when it last came back
    Instant moved_at{};                ///< last seen to
    Instant moved_before{};            ///< and before the movement that this belongs to
    /// Of the movement under way, or just to come: booked already, on the word of loads' own meters or of the
    /// other leg.
    double told_a = 0;
    Instant told_until{};  ///< for so long it is waited for
};

/// What a load's own meter says.
struct OwnBooks {
    explicit OwnBooks(Duration meter_period) : watch(meter_period) {}
    LegWatch watch;
    std::optional<Instant> heard_at{};
    bool doubted = false;          ///< its leg said otherwise: not believed before it moves again
    Instant moved_at{};            ///< last began to
    std::optional<Step> untold{};  ///< seen whole, and not booked yet
};

struct LimitBooks {
    Persistence over_steady{};
    double soon_s = 0;  ///< for so long a trip has been soon,
    double near_s = 0;  ///< next to nothing has been free,
    double far_s = 0;   ///< and neither;
    double easy_s = 0;  ///< no start would be tight
};

/// What the last decision has allowed for. It stands until then, while nothing else changes: see calm.cpp.
struct Calm {
    Instant until{};
    PerLeg<double> most_a{};                  ///< that each leg may carry
    PerLeg<std::optional<double>> voltage_v;  ///< that each leg had
    Prospect flowing{};
    Duration passed{};  ///< so far, and not noted yet
};

struct Marshal::Core {
    Core(Rig rig, std::optional<SourceIndex> source, Instant now);

    // marshal.cpp: events
    void handle(const MeterSample& event);
    void handle(const DemandChanged& event);
    void handle(const SwitchFeedback& event);
    void handle(const SourceChanged& event);
    void handle(const OperatorRequest& event);
    void handle(const LockoutRecalled& event);
    void handle(const StopEverything& event);
    void handle(const LinkChanged& event);
    void handle(const BatteryCharge& event);
    void handle(const Tick&) {}
    PerLeg<double> held_a(const MeterSample* next) const;
    void advance_images(Instant at, const MeterSample* next);
    void take_over(LoadIndex i, const Core& old, LoadIndex was,
                   std::span<const std::optional<SourceIndex>> sources);
    void rest_everything();
    void rank_anew();
    void end_preferences();

    // marshal.cpp: questions
    const Source* source() const { return present ? &rig.sources[*present] : nullptr; }
    std::span<const double> theta() const { return thetas[*present]; }
    bool silent(Leg leg) const { return now > legs[leg].silent_after; }
    bool any_silent() const { return silent(Leg::l1) || silent(Leg::l2); }
    bool any_dead() const { return legs[Leg::l1].dead || legs[Leg::l2].dead; }
    /// Is its meter so slow that a start may fall between two readings?
    bool slow(Leg leg) const { return rig.timing.meter_period[leg] >= slow_for_starts; }
    bool any_moving() const { return legs[Leg::l1].watch.moving() || legs[Leg::l2].watch.moving(); }
    bool may_be_on(LoadIndex i) const {
        return tracks[i].on || tracks[i].stuck || tracks[i].offs_repeated > 0;
    }
    /// Off by the books, and on by the last word of its switch.
    bool unwilling(LoadIndex i) const {
        return !tracks[i].on && !tracks[i].stuck && tracks[i].reported == true;
    }
    bool goes_before(LoadIndex a, LoadIndex b) const;
    bool can_shed(LoadIndex i) const { return loads[i].controlled() && tracks[i].on && !tracks[i].stuck; }
    /// May it start, or start further, by itself?
    bool standing(LoadIndex i) const {
        const bool may_start = !loads[i].controlled() || may_be_on(i);
        return may_start && tracks[i].settled < loads[i].stages.size();
    }
    bool start_in_flight(LoadIndex i) const;
    bool stop_in_flight() const;
    double total_run_a(LoadIndex i) const;

    // voltage.cpp
    void note_line(const MeterSample& event, bool was_moving);
    void learn_impedance(Leg leg, const LegWatch::Steps& steps);
    void check_supply(Leg leg);
    bool well_v(double line_v) const;
    bool well_hz(std::optional<double> hz) const;
    void check_line(Duration passed);
    void relieve(Leg leg, double line_v);
    double apart_v(double l1_v, double l2_v) const;
    void check_neutral(Duration passed);
    bool shed_last_on(Leg leg, const Reason& why);
    std::optional<Reason> sags_too_low(LoadIndex i, const Prospect& p) const;

    // starts.cpp
    bool stop_expected(Leg leg) const;
    void explain(Leg leg, const Step& step, bool whole);
    double news_a(Leg leg, const Step& step) const;
    void add_falls(Hypotheses& all, LoadIndex i) const;
    bool lacks_peak(Leg leg, const Hypothesis& h, const Step& step) const;
    bool may_be_another(Leg leg, const Hypotheses& all, const Hypothesis& h, double rise_a) const;
    bool can_be_no_other(Leg leg, const Hypotheses& all, const Hypothesis& h, double rise_a) const;
    bool hard_to_tell(Leg leg, const Step& step, const Hypotheses& all, const Hypothesis& best) const;
    Hypotheses starts_on(Leg leg, double peak_rise_a, std::optional<LoadIndex> but = {}) const;
    bool may_be_all(Leg leg, const Hypothesis& stop, double fall_a) const;
    void book(Leg leg, const Step& step, const Hypotheses& all, const Hypothesis& h, double own_a);
    void book_beside(Leg leg, const Step& step, const Hypotheses& all, const Hypothesis& h,
                     const Hypothesis& beside);
    void accept_rise(LoadIndex i, std::size_t settled, double rise_a, const Step& step);
    void learn(LoadIndex i, std::size_t settled, const Step& step, Duration period, bool holds_peaks);
    void tell_departure(LoadIndex i);
    void believe(LoadIndex i);
    /// With the running currents by which its starts and stops are recognised.
    const Load& usual(LoadIndex i) const { return loads[i].adjustment ? loads[i] : rig.loads[i]; }
    void accept_fall(LoadIndex i, std::size_t settled, double fall_a);
    void unsettle(LoadIndex i);
    void reconcile(Leg leg);
    void doubt_own_meters(Leg leg);
    bool overbooked(Leg leg) const;
    double most_booked_a(Leg leg) const;
    bool other_leg_denies(LoadIndex i, Leg leg, Instant since) const;
    void rest_unheard(LoadIndex i, Instant began);
    bool came_with_supply(Leg leg, const Step& step) const;
    bool foretell(Leg leg, double change_a, Instant since, Instant by);

    // doubts.cpp
    void doubt(LoadIndex i, LoadIndex booked);
    void note_sure(LoadIndex i, bool sure);
    void pass_stop_on(LoadIndex i);
    bool perhaps_stopped(LoadIndex i) const;
    void doubt_who_hid(LoadIndex i);
    bool may_taper_to(LoadIndex i, double seen_a) const;
    void leave_unknown(Leg leg, double fall_a, Instant began, LoadIndex booked);
    void rest_unknown(Leg leg, double fall_a);
    bool idler_starts(Leg leg, double rise_a, LoadIndex but) const;
    void reserve_doubted(Leg leg, double rise_a, std::optional<LoadIndex> but);
    void leave_to_nobody(const Hypotheses& all, double rise_a);
    void leave_unexplained(Leg leg, const Hypotheses& all, double rise_a);
    void ask_the_idle(Leg leg, double rise_a);
    double unbooked_a(Leg leg, double flowing_a) const;
    double unknown_a(Leg leg) const;
    double perhaps_own_a(LoadIndex i, const PerLeg<double>& unknown_a) const;
    void note_perhaps();

    // stalls.cpp
    bool may_start_to(LoadIndex i, Leg leg, double excess_a) const;
    bool may_stall_at(LoadIndex i, Leg leg, double excess_a) const;
    bool may_be_locked(LoadIndex i, double excess_a, const Step& step) const;
    Duration stall_after(LoadIndex i, Leg leg) const;
    Duration hold_open(Leg leg, double excess_a) const;
    bool explains(Leg leg) const;
    void check_stall(Leg leg, double excess_a, Instant began);
    void stall(LoadIndex i, double excess_a);
    void retry_stalled();
    void check_due();

    // obedience.cpp
    bool tell_again(LoadIndex i);
    void told_off_in_vain(LoadIndex i, double drawn_a);
    void rest_the_mute();
    void assert_switches();
    void ask_the_mute_again();
    void tell_the_unwilling_again();
    bool listening() const;
    void tell_off_again(Duration told_within);
    void tell_all_again();
    bool starts_again(LoadIndex i, Leg leg) const;
    void expect_fall(LoadIndex i, double drawn_a);
    void check_reliefs();
    bool may_be_start(Leg leg, const Step& step) const;
    bool still_flows(Leg leg, const Step& step);
    double perhaps_drawn_a(Leg leg) const;
    bool disobeys(LoadIndex i) const;
    void call_stuck(LoadIndex i, double drawn_a);

    // own_meter.cpp
    void handle_own(const MeterSample& event);
    bool tells_itself(LoadIndex i) const;
    bool draws_by_own_meter(LoadIndex i) const;
    bool unmoved(LoadIndex i, Instant since) const;
    void take_its_word(LoadIndex i, bool holds_peaks);
    bool legs_show(LoadIndex i) const;
    bool more_than_flows(LoadIndex i, double drawn_a) const;
    void take_for_locked(LoadIndex i, double excess_a);
    void look_at_off(LoadIndex i, double drawn_a);
    std::size_t stages_at(LoadIndex i, double current_a) const;

    // worst_case.cpp
    struct Share {  ///< one load's part in a prospect
        double drawn_a;
        double start_a;
        double running_a;
        Duration window;
    };
    bool perhaps_starts(LoadIndex i) const;
    bool starts_after_all(LoadIndex i) const;
    Share share(LoadIndex i) const;
    void weigh(Prospect& p, LoadIndex i, double sign) const;
    void put_on(Prospect& p, LoadIndex i) const;
    void take_off(Prospect& p, LoadIndex i) const;
    void put_on_perhaps(Prospect& p, LoadIndex i) const;
    void take_off_perhaps(Prospect& p, LoadIndex i) const;
    Duration started_for(LoadIndex i) const;
    Prospect flowing(bool count_relief) const;
    Prospect prospect(bool count_relief) const;
    PerLeg<double> uncontrolled_a() const;

    // decide.cpp
    void decide(bool quiet);
    void switch_off_unwanted();
    std::optional<Reason> must_not_run(LoadIndex i) const;
    void note_flowing(const Prospect& p, Duration passed);
    void note_time(Duration passed);
    bool steady_spent() const;
    std::optional<Misfit> stays_misfit(const Prospect& p, bool with_steady, LegSet of = LegSet::both()) const;
    void shed_what_must_go();
    bool withdraw_unused(Prospect& p);
    void walk_and_shed(Prospect& p, bool with_steady);
    ReasonKind shed_kind(const Prospect& before, const Misfit& why) const;
    /// What a load that waits would join.
    struct Company {
        Prospect p;
        PerLeg<double> kept_a;     ///< once all run: the uncontrolled, and the higher ranks
        PerLeg<double> flowing_a;  ///< now, with what is about to draw
        /// Of those that nobody controls, that are taken to run and may be idle, the one with the worst
        /// start.
        PerLeg<std::optional<LoadIndex>> doubted{};
    };
    void note_doubted(Company& with) const;
    Company company() const;
    void grant_what_may_start();
    void note_claims();
    std::optional<Reason> kept_back(LoadIndex i) const;
    std::optional<Misfit> steady_misfit(LoadIndex i, const Company& with) const;
    std::optional<Misfit> lasting_misfit(LoadIndex i, Prospect p, std::span<const double> heat);
    std::optional<Reason> cannot_join(LoadIndex i, const Company& with, std::span<const double> heat);
    std::optional<LoadIndex> start_under_way() const;
    std::optional<Reason> out_of_turn(LoadIndex i, const Company& with);
    std::optional<LoadIndex> claimed_in_turn(LoadIndex i) const;
    bool next_in_turn(LoadIndex i, Company with);
    std::optional<ReasonKind> leaves_for(LoadIndex i, LoadIndex other, bool in_turn) const;
    bool joins_soon(LoadIndex i, const Company& with);
    bool make_room(LoadIndex i, Company with);
    std::optional<LoadIndex> push_out(LoadIndex i, Company& with);
    void switch_on(LoadIndex i);
    void switch_off(LoadIndex i, const Reason& why);

    // calm.cpp
    bool under_way(LoadIndex i) const;
    bool line_is_well() const;
    bool has_tight_start(const Prospect& p) const;
    void begin_calm();
    void end_calm();
    bool stays_calm(const Event& event) const;
    bool stays_calm(LoadIndex i) const;

    // adjust.cpp
    struct Lowered {  ///< an adjustable load as it was before it was lowered in the books
        LoadIndex load;
        double setting_a;
        double drawn_a;
    };
    bool adjustable(LoadIndex i) const;
    double setting_a(LoadIndex i) const;
    void set_to(LoadIndex i, double to_a);
    void set_lowest(LoadIndex i);
    void set_highest(LoadIndex i);
    void set_in(Prospect& p, LoadIndex i, double to_a, double drawn_a);
    void lower(Prospect& p, std::optional<LoadIndex> first);
    template <class Fits>
    std::optional<LoadIndex> raise_again(Prospect& p, const Reason& why, Fits fits);
    double below(LoadIndex i, double from_a) const;
    void turn_down(const Lowered& before, const Reason& why);
    void turn_up(const Prospect& p);
    void doubt_adjusting(LoadIndex i);
    void learn_whether_adjusted(LoadIndex i, bool fell);

    // tell.cpp
    void update_states();
    LoadState state_of(LoadIndex i) const;
    void update_warnings(Duration passed, const Prospect& p);
    void warn_of_tight_starts(Duration passed);
    void warn_of_silence();
    void raise(const AlertRaised& alert);
    void raise(AlertKind kind, std::optional<LoadIndex> load, const Reason& reason = {}) {
        raise(AlertRaised{kind, load, reason, {}, 0});
    }
    void clear(AlertKind kind, std::optional<LoadIndex> load) {
        if (!raised.empty()) take_back(kind, load);
    }
    void take_back(AlertKind kind, std::optional<LoadIndex> load);

    Rig rig;
    std::vector<Load> loads;  ///< the rig's, as they stand now: learned, or set lower than they can be
    std::vector<std::vector<StageProfile>> profiles;  ///< per load and stage
    std::optional<SourceIndex> present;
    Instant now;
    std::optional<Instant> misfit_at{};       ///< when the standing worst case last did not fit
    std::optional<Instant> too_much_since{};  ///< and nothing is left to shed
    std::optional<Instant> tells_all_at{};  ///< then all that should be off is told so, no sooner than this;
    Duration tells_all_after{};             ///< the last two times were so far apart
    Instant considered_at{};                ///< when it was last looked at who may start
    Calm calm{};
    Persistence legs_apart{};
    std::optional<double> battery_percent{};
    bool battery_low = false;
    bool stopped = false;  ///< by a person: everything
    bool link_up = false;
    Instant link_up_at{};  ///< or gone, since then
    std::vector<Track> tracks;
    std::vector<LoadIndex> by_rank;  ///< controlled loads: preferred ones first, then from rank 1 on
    std::vector<Lowered> lowered;
    PerLeg<LegBooks> legs;
    std::vector<std::optional<OwnBooks>> own;  ///< by load: of those that have a meter
    std::vector<std::vector<double>> thetas;   ///< per source: every image of every limit, in order
    std::vector<double> cooled_theta;          ///< room for a what-if over the present images
    std::vector<double> warm_theta;            ///< and for another
    std::vector<Instant> unplugged_at;         ///< per source: when it was last left
    std::vector<LimitBooks> limit_books;       ///< of the present source
    std::size_t next_room_turn = 0;            ///< position in by_rank of who may try to make room next
    std::vector<LoadIndex> claimants;          ///< loads that room is being made for
    std::vector<LoadIndex> pushed_lately;      ///< loads that made room less than a dwell ago, by rank
    Duration slowest_switch{};
    Duration reaction{};  ///< from an overload to the effect of a shed, at most
    struct RaisedAlert {
        AlertKind kind;
        std::optional<LoadIndex> load;
    };
    std::vector<RaisedAlert> raised;
    std::vector<Action> actions;
};

}  // namespace ampmarshal::rules
