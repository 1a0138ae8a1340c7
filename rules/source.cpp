#include "rules/source.h"

#include <algorithm>
#include <cmath>
#include <iterator>

namespace ampmarshal::rules {

namespace {

using namespace std::chrono_literals;

LegSet legs_of(Feed feed) {
    return feed == Feed::one_leg ? LegSet(Leg::l1) : LegSet::both();
}

// IEC 60898-1, table 7: 2.55 x rating from cold trips in 1 s at the earliest. With pick-up at the rating,
// 1 s = tau ln(2.55^2 / (2.55^2 - 1)) gives tau = 5.99 s. UL 489 promises no minimum time above its rating.
constexpr Duration breaker_early_tau = 5988ms;

// UL 489 sets no limit to how long a breaker may take below 135 % of its rating, an hour or two at 135 %, and
// 2 min (to 30 A), 4 min (to 50 A), 6 min (to 100 A) at 200 %. With a pick-up just under 135 %, so that 135 %
// itself does trip, the 200 % point sets the time constant: t = tau ln(2^2 / (2^2 - 1.349^2)) = 0.6070 tau.
constexpr double breaker_late_pickup = 1.349;
constexpr Duration breaker_late_tau_30 = 197'700ms;
constexpr Duration breaker_late_tau_50 = 395'400ms;
constexpr Duration breaker_late_tau_100 = 593'100ms;

// The low end of IEC 60898-1 type B: below 3 x rating nothing trips instantaneously.
constexpr double breaker_instantaneous = 3.0;

// NEC article 100: a continuous load is one that lasts three hours or more.
constexpr double continuous_s = 3 * 3600;

Limit breaker_limit(std::string name, LegSet legs, const BreakerPlate& plate) {
    const double thermal_a = plate.ambient_share * plate.rating_a;
    Limit limit{std::move(name),
                legs,
                breaker_instantaneous * plate.rating_a,  // the magnetic trip does not feel the heat
                plate.steady_share * thermal_a,
                {breaker_early_edge(thermal_a)}};
    if (plate.continuous_share < 1)
        limit.images.push_back(continuous_load_image(plate.rating_a, plate.continuous_share));
    return limit;
}

/// One limit per conductor.
std::vector<Limit> breaker_limits(const std::string& name, Feed feed, const BreakerPlate& plate) {
    if (feed != Feed::two_legs) return {breaker_limit(name, legs_of(feed), plate)};
    return {breaker_limit(name + ", L1", LegSet(Leg::l1), plate),
            breaker_limit(name + ", L2", LegSet(Leg::l2), plate)};
}

/// What a generator and an inverter have in common: a rating that lasts, and a higher one for a short time.
struct PowerRating {
    double lasting_w;
    double short_w;
    Duration short_for;
    double steady_share;
};

Limit power_limit(std::string name, LegSet legs, double volts, const PowerRating& rating) {
    const double lasting_a = rating.lasting_w / volts;
    const double short_a = rating.short_w / volts;
    Limit limit{std::move(name), legs, short_a, rating.steady_share * lasting_a, {}};
    if (short_a > lasting_a) limit.images.push_back(short_time_image(lasting_a, short_a, rating.short_for));
    return limit;
}

/// The engine, or the inverter as a whole, carries the sum of both legs; each winding carries half of it.
std::vector<Limit> power_limits(const std::string& name, Feed feed, double nominal_v,
                                const PowerRating& rating) {
    std::vector<Limit> limits{power_limit(name, legs_of(feed), nominal_v, rating)};
    if (feed != Feed::two_legs) return limits;
    PowerRating half = rating;
    half.lasting_w /= 2;
    half.short_w /= 2;
    for (Leg leg : all_legs)
        limits.push_back(power_limit(name + ", " + rules::name(leg), LegSet(leg), nominal_v, half));
    return limits;
}

struct Compile {
    const std::string& source_name;
    double nominal_v;
    Feed feed;

    std::vector<Limit> operator()(const BreakerPlate& plate) const {
        return breaker_limits(source_name, feed, plate);
    }
    std::vector<Limit> operator()(const GeneratorPlate& plate) const {
        auto limits = power_limits(source_name, feed, nominal_v,
                                   {plate.site_share * plate.running_w, plate.site_share * plate.starting_w,
                                    plate.starting_for, plate.steady_share});
        for (Limit& limit : limits)
            limit.tight_a = tight_start_share * limit.ceiling_a;
        return limits;
    }
    std::vector<Limit> operator()(const InverterPlate& plate) const {
        return power_limits(source_name, feed, nominal_v,
                            {plate.continuous_w, plate.surge_w, plate.surge_for, plate.steady_share});
    }
};

constexpr double least_lasting_w = 100;
constexpr double most_lasting_w = 50'000;
constexpr double most_short_w = 100'000;

bool is_share(double share) {
    return share >= 0.1 && share <= 1;
}

constexpr const char* steady_fault = "the steady share must be from 0.1 to 1 of the rating";

struct Fault {
    std::string operator()(const BreakerPlate& plate) const {
        if (!(plate.rating_a >= 1 && plate.rating_a <= 100))
            return "a breaker's rating must be from 1 to 100 A, as printed on its handle";
        if (!is_share(plate.steady_share)) return steady_fault;
        if (!is_share(plate.continuous_share))
            return "the continuous share must be from 0.1 to 1 of the rating";
        if (!(plate.ambient_share >= 0.5 && plate.ambient_share <= 1))
            return "a breaker that keeps less than half its rating is too hot to work; check its temperature";
        return {};
    }
    std::string operator()(const GeneratorPlate& plate) const {
        if (!(plate.running_w >= least_lasting_w && plate.running_w <= most_lasting_w))
            return "a generator's running watts must be from 100 to 50000";
        if (!(plate.starting_w >= plate.running_w && plate.starting_w <= most_short_w))
            return "a generator's starting watts must be at least its running watts, and at most 100000";
        if (plate.starting_for < 100ms || plate.starting_for > 10min)
            return "the time at starting watts must be from 0.1 to 600 s";
        if (!is_share(plate.steady_share)) return steady_fault;
        if (!(plate.site_share <= 1 && plate.site_share * plate.running_w >= least_lasting_w))
            return "the derating leaves nothing to run on; check the altitude, the temperature or the "
                   "percentage";
        return {};
    }
    std::string operator()(const InverterPlate& plate) const {
        if (!(plate.continuous_w >= least_lasting_w && plate.continuous_w <= most_lasting_w))
            return "an inverter's continuous watts must be from 100 to 50000";
        if (!(plate.surge_w >= plate.continuous_w && plate.surge_w <= most_short_w))
            return "an inverter's surge watts must be at least its continuous watts, and at most 100000";
        if (plate.surge_for < 100ms || plate.surge_for > 10min)
            return "the time at surge watts must be from 0.1 to 600 s";
        if (!is_share(plate.steady_share)) return steady_fault;
        return {};
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
    return {breaker_late_pickup * rating_a, tau};
}

ThermalImage continuous_load_image(double rating_a, double share) {
    // 3 h = tau ln(1 / (1 - share^2)): for 80 %, tau is 10571 s, or 2.94 h.
    return {share * rating_a, from_seconds(continuous_s / -std::log1p(-share * share))};
}

ThermalImage short_time_image(double lasting_a, double short_a, Duration short_for) {
    const double m2 = (short_a / lasting_a) * (short_a / lasting_a);
    return {lasting_a, from_seconds(seconds(short_for) / std::log(m2 / (m2 - 1)))};
}

Source compile(std::string id, std::string name, double nominal_v, Feed feed, const Plate& plate,
               const std::vector<Behind>& behind) {
    std::vector<Limit> limits = std::visit(Compile{name, nominal_v, feed}, plate);
    for (const Behind& stage : behind) {
        std::vector<Limit> more = breaker_limits(stage.name, stage.feed, stage.plate);
        std::move(more.begin(), more.end(), std::back_inserter(limits));
    }
    return {std::move(id), std::move(name), nominal_v, feed, std::move(limits)};
}

std::string plate_fault(const Plate& plate) {
    return std::visit(Fault{}, plate);
}

}  // namespace ampmarshal::rules
