#include "rules/source.h"

#include <cmath>

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

// IEC 60898-1, table 7: 2.55 x rating from cold trips in 1 s at the earliest. With pick-up at the rating,
// 1 s = tau ln(2.55^2 / (2.55^2 - 1)) gives tau = 5.99 s. UL 489 promises no minimum time above its rating.
constexpr Duration breaker_early_tau = 5988ms;

// UL 489 lets a breaker take 2 min (to 30 A), 4 min (to 50 A), 6 min (to 100 A) at twice its rating. With
// pick-up at the rating, t = tau ln(4 / 3).
constexpr Duration breaker_late_tau_30 = 417'130ms;
constexpr Duration breaker_late_tau_50 = 834'260ms;
constexpr Duration breaker_late_tau_100 = 1'251'390ms;

// The low end of IEC 60898-1 type B: below 3 x rating nothing trips instantaneously.
constexpr double breaker_instantaneous = 3.0;

// UL 489 holds at 100 %; the rest is for the meter's error.
constexpr double breaker_steady = 0.95;

// A continuous load lasts three hours or more and should stay within 80 % (NEC article 100 and 210.20(A)).
// With pick-up at 80 %, tau is chosen so that full rating from cold reaches 1 after exactly three hours.
constexpr double continuous_share = 0.8;
constexpr Duration continuous_tau = 10'571s;

// A generator's running rating is met with the same reserve for the meter's error.
constexpr double generator_steady = 0.95;

Limit breaker_limit(std::string name, LegSet legs, double rating_a) {
    return {std::move(name),
            legs,
            breaker_instantaneous * rating_a,
            breaker_steady * rating_a,
            {breaker_early_edge(rating_a), continuous_load_image(rating_a)}};
}

/// The allowed time at the starting rating, from cold, becomes the image's time constant.
Limit generator_limit(std::string name, LegSet legs, double running_a, double starting_a,
                      Duration starting_for) {
    Limit limit{std::move(name), legs, starting_a, generator_steady * running_a, {}};
    if (starting_a > running_a) {
        const double m2 = (starting_a / running_a) * (starting_a / running_a);
        limit.images.push_back({running_a, from_seconds(seconds(starting_for) / std::log(m2 / (m2 - 1)))});
    }
    return limit;
}

LegSet legs_of(Feed feed) {
    return feed == Feed::one_leg ? LegSet(Leg::l1) : LegSet::both();
}

struct Compile {
    const std::string& source_name;
    double nominal_v;
    Feed feed;

    std::vector<Limit> operator()(const BreakerPlate& plate) const {
        if (feed != Feed::two_legs) return {breaker_limit(source_name, legs_of(feed), plate.rating_a)};
        return {breaker_limit(source_name + ", L1", LegSet(Leg::l1), plate.rating_a),
                breaker_limit(source_name + ", L2", LegSet(Leg::l2), plate.rating_a)};
    }

    std::vector<Limit> operator()(const GeneratorPlate& plate) const {
        const double running_a = plate.running_w / nominal_v;
        const double starting_a = plate.starting_w / nominal_v;
        std::vector<Limit> limits{
            generator_limit(source_name, legs_of(feed), running_a, starting_a, plate.starting_for)};
        if (feed == Feed::two_legs) {
            // Each winding of a two-leg generator carries half; the engine carries the sum.
            for (Leg leg : all_legs) {
                limits.push_back(generator_limit(source_name + ", " + rules::name(leg), LegSet(leg),
                                                 running_a / 2, starting_a / 2, plate.starting_for));
            }
        }
        return limits;
    }
};

}  // namespace

bool Source::serves(LegSet legs) const {
    if (legs == LegSet::both()) return feed == Feed::two_legs;
    return legs_of(feed).contains(legs);
}

ThermalImage breaker_early_edge(double rating_a) {
    return {rating_a, breaker_early_tau};
}

ThermalImage breaker_late_edge(double rating_a) {
    const Duration tau = rating_a <= 30   ? breaker_late_tau_30
                         : rating_a <= 50 ? breaker_late_tau_50
                                          : breaker_late_tau_100;
    return {rating_a, tau};
}

ThermalImage continuous_load_image(double rating_a) {
    return {continuous_share * rating_a, continuous_tau};
}

Source compile(std::string id, std::string name, double nominal_v, Feed feed, const Plate& plate) {
    std::vector<Limit> limits = std::visit(Compile{name, nominal_v, feed}, plate);
    return {std::move(id), std::move(name), nominal_v, feed, std::move(limits)};
}

std::string plate_fault(const Plate& plate) {
    if (const auto* breaker = std::get_if<BreakerPlate>(&plate)) {
        if (!(breaker->rating_a >= 1 && breaker->rating_a <= 100))
            return "a breaker's rating must be from 1 to 100 A, as printed on its handle";
        return {};
    }
    const auto& generator = std::get<GeneratorPlate>(plate);
    if (!(generator.running_w >= 100 && generator.running_w <= 50'000))
        return "a generator's running watts must be from 100 to 50000";
    if (!(generator.starting_w >= generator.running_w && generator.starting_w <= 100'000))
        return "a generator's starting watts must be at least its running watts, and at most 100000";
    if (generator.starting_for < 100ms || generator.starting_for > 10min)
        return "the time at starting watts must be from 0.1 to 600 s";
    return {};
}

}  // namespace ampmarshal::rules
