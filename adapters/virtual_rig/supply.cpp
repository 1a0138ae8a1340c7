#include "adapters/virtual_rig/supply.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <utility>

namespace ampmarshal::virtual_rig {

namespace {

constexpr double mains_hz = 60;
constexpr double governor_s = 0.3;  // the engine's speed follows its load with this lag
constexpr double bogs_by =
    0.5;  // a weakened engine, asked for a tenth too much, loses a twentieth of its speed

/// Seconds per time constant from cold to trip at `ratio` times pick-up.
double cold_times(double ratio) {
    return std::log(ratio * ratio / (ratio * ratio - 1));
}

double must_trip_at_200_percent_s(double rating_a) {
    if (rating_a <= 30) return 120;
    return rating_a <= 50 ? 240 : 360;
}

TripPoints draw_breaker(const BreakerPlan& plan, std::string limit, LegSet legs, Random& random) {
    const double pickup_drawn = random.uniform(1.0, 1.2);
    const double pickup = plan.pickup_ratio.value_or(pickup_drawn);
    const double slowest_s = must_trip_at_200_percent_s(plan.rating_a) / cold_times(2.0 / pickup);
    const double time_constant_drawn = random.log_uniform(6.0, slowest_s);
    const double instantaneous_drawn = random.uniform(3.0, 10.0);
    return {std::move(limit),
            legs,
            3.0 * plan.rating_a,
            pickup * plan.rating_a,
            plan.time_constant_s.value_or(time_constant_drawn),
            plan.instantaneous_ratio.value_or(instantaneous_drawn) * plan.rating_a,
            0};
}

/// What generators and inverters have in common: a rating that lasts, and a higher one for a short time.
struct Ratings {
    const char* part;  ///< what carries the sum of the legs
    double lasting_w;
    double short_w;
    Duration short_allowed;
    double gives_in_after_s;  ///< once asked for more than the short rating, at the earliest
    double gives_in_by_s;     ///< and at the latest
};

Ratings ratings_of(const GeneratorPlan& plan) {
    return {"engine", plan.running_w, plan.starting_w, plan.starting_allowed, 0.1, 0.5};
}

Ratings ratings_of(const InverterPlan& plan) {
    return {"inverter", plan.continuous_w, plan.surge_w, plan.surge_allowed, 0.02, 0.1};
}

TripPoints draw_power(const Ratings& plan, std::string limit, LegSet legs, double share_a_per_w,
                      Random& random) {
    const double short_a = plan.short_w * share_a_per_w;
    const double pickup_a = plan.lasting_w * share_a_per_w * random.uniform(1.0, 1.1);
    const double allowed_s = rules::seconds(plan.short_allowed) * random.uniform(1.0, 1.5);
    // A plate with hardly more for a short time than for long would put the time constant at infinity.
    const double ratio = std::max(short_a / pickup_a, 1.05);
    return {std::move(limit),
            legs,
            short_a,
            pickup_a,
            allowed_s / cold_times(ratio),
            short_a,
            random.uniform(plan.gives_in_after_s, plan.gives_in_by_s)};
}

LegSet legs_of(int legs) {
    return legs == 1 ? LegSet(Leg::l1) : LegSet::both();
}

}  // namespace

std::vector<TripPoints> draw_trip_points(const SourcePlan& plan, int legs, double nominal_v, Random& random) {
    std::vector<TripPoints> drawn;
    if (const auto* breaker = std::get_if<BreakerPlan>(&plan.kind)) {
        if (legs == 2 && plan.one_conductor) {
            drawn.push_back(draw_breaker(*breaker, "both legs", LegSet::both(), random));
            return drawn;
        }
        for (int i = 0; i < legs; ++i) {
            const Leg leg = rules::all_legs[i];
            drawn.push_back(draw_breaker(*breaker, name(leg), LegSet(leg), random));
        }
        return drawn;
    }
    const auto* generator = std::get_if<GeneratorPlan>(&plan.kind);
    const Ratings ratings =
        generator ? ratings_of(*generator) : ratings_of(std::get<InverterPlan>(plan.kind));
    drawn.push_back(draw_power(ratings, ratings.part, legs_of(legs), 1 / nominal_v, random));
    if (legs == 2 && !plan.one_conductor) {
        for (const Leg leg : rules::all_legs)
            drawn.push_back(draw_power(ratings, name(leg), LegSet(leg), 0.5 / nominal_v, random));
    }
    return drawn;
}

std::string describe(const TripPoints& points) {
    char line[200];
    std::snprintf(line, sizeof line,
                  "%s carries %.1f A for ever, time constant %.0f s, trips at once above %.0f A",
                  points.limit.c_str(), points.pickup_a, points.time_constant_s, points.sudden_a);
    return line;
}

TripElement::TripElement(TripPoints points, double carried_before_a)
    : points_(std::move(points)), heat_(std::pow(carried_before_a / points_.pickup_a, 2)) {}

// The heat obeys dh/dt = ((I/pick-up)^2 - h)/tau. The trapezoidal rule is stable for every step and exact to
// second order, which a step of 0.1 s in 6 s needs.
TripElement::Verdict TripElement::hold(double current_a, double dt_s) {
    current_a /= share_;
    const double ratio = current_a / points_.pickup_a;
    const double half_step = dt_s / (2 * points_.time_constant_s);
    heat_ = (heat_ * (1 - half_step) + 2 * half_step * ratio * ratio) / (1 + half_step);
    above_s_ = current_a > points_.sudden_a ? above_s_ + dt_s : 0;
    if (above_s_ > points_.sudden_after_s) return Verdict::sudden;
    return heat_ >= 1 ? Verdict::heat : Verdict::holds;
}

std::optional<double> TripElement::time_to_trip_s(double current_a) const {
    current_a /= share_;
    const double square = std::pow(current_a / points_.pickup_a, 2);
    if (square <= 1) return std::nullopt;
    const double heating_s =
        heat_ >= 1 ? 0.0 : points_.time_constant_s * std::log((square - heat_) / (square - 1));
    return current_a > points_.sudden_a
               ? std::min(heating_s, std::max(0.0, points_.sudden_after_s - above_s_))
               : heating_s;
}

Supply::Supply(const SourcePlan& plan, int legs, std::vector<TripPoints> points)
    : name_(plan.name),
      no_load_v_(plan.no_load_v),
      impedance_ohm_(plan.impedance_ohm),
      one_conductor_(plan.one_conductor),
      legs_(legs_of(legs)),
      no_load_hz_(mains_hz),
      hz_per_a_(0),
      engine_hz_(mains_hz) {
    for (auto& limit : points) {
        const double carried_a = plan.carried_before_a * limit.legs.count();
        elements_.emplace_back(std::move(limit), carried_a);
    }
    if (const auto* generator = std::get_if<GeneratorPlan>(&plan.kind)) {
        const TripPoints& engine = elements_.front().points();
        no_load_hz_ = engine_hz_ = generator->no_load_hz;
        engine_runs_a_ = engine.earliest_a * generator->running_w / generator->starting_w;
        hz_per_a_ = generator->droop * generator->no_load_hz / engine_runs_a_;
    }
}

void Supply::weaken(double share) {
    if (engine_runs_a_ <= 0) return;
    engine_share_ = share;
    for (auto& element : elements_)
        element.weaken(share);
}

/// The governor's droop; a weakened engine that is asked for more than it has left loses speed steeply.
double Supply::target_hz() const {
    const double drawn_a = current_a(LegSet::both());
    const double droops_to_hz = no_load_hz_ - hz_per_a_ * drawn_a / engine_share_;
    if (engine_share_ >= 1) return droops_to_hz;
    const double beyond = std::max(0.0, drawn_a / (engine_share_ * engine_runs_a_) - 1);
    return droops_to_hz - bogs_by * no_load_hz_ * beyond;
}

// With currents of the form constant + conductance x V, the voltage behind the impedance has a closed form.
void Supply::solve_conductor(const Draw& sum, LegSet legs, const PerLeg<Draw>& draws) {
    const double ohm = impedance_ohm_ + extra_ohm_;
    const double volts = std::max(0.0, (no_load_v_ - ohm * sum.constant_a) / (1 + ohm * sum.conductance_s));
    for (const Leg leg : rules::all_legs) {
        if (!legs.contains(leg)) continue;
        line_.voltage_v[leg] = volts;
        line_.current_a[leg] = draws[leg].constant_a + draws[leg].conductance_s * volts;
    }
}

void Supply::solve(const PerLeg<Draw>& draws, bool connected) {
    line_ = {};
    if (!connected || tripped_) return;
    line_.frequency_hz = engine_hz_;
    if (one_conductor_) {
        Draw sum = draws[Leg::l1];
        sum += draws[Leg::l2];
        solve_conductor(sum, legs_, draws);
        return;
    }
    for (const Leg leg : rules::all_legs) {
        if (legs_.contains(leg)) solve_conductor(draws[leg], LegSet(leg), draws);
    }
}

std::optional<Supply::Trip> Supply::flow(double dt_s) {
    engine_hz_ += (target_hz() - engine_hz_) * std::min(1.0, dt_s / governor_s);
    std::optional<Trip> trip;
    for (auto& element : elements_) {
        const double flowing_a = current_a(element.points().legs);
        const auto verdict = element.hold(flowing_a, dt_s);
        // Heat left over from the last trip does not open what is open already.
        if (verdict != TripElement::Verdict::holds && !tripped_ && flowing_a > 0 && !trip) {
            trip = Trip{&element.points(), verdict, flowing_a};
        }
    }
    if (trip) tripped_ = true;
    return trip;
}

bool Supply::stressed() const {
    return std::any_of(elements_.begin(), elements_.end(), [](const TripElement& e) { return e.stressed(); });
}

double Supply::current_a(LegSet legs) const {
    double sum = 0;
    for (const Leg leg : rules::all_legs) {
        if (legs.contains(leg)) sum += line_.current_a[leg];
    }
    return sum;
}

std::optional<double> Supply::time_to_trip_s() const {
    std::optional<double> least;
    for (const auto& element : elements_) {
        const auto left = element.time_to_trip_s(current_a(element.points().legs));
        if (left && (!least || *left < *least)) least = left;
    }
    return least;
}

}  // namespace ampmarshal::virtual_rig
