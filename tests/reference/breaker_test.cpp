// A breaker's early and late edges against UL 489 and IEC 60898-1, and the continuous-load image against the
// three-hour, 80 % rule of the NEC. Bands of ratings: to 30 A, to 50 A, to 100 A.
#include <cmath>

#include "rules/derating.h"
#include "rules/source.h"
#include "tests/support/catch.h"

using namespace ampmarshal::rules;
using namespace std::chrono_literals;

namespace {

double cold_trip_s(const ThermalImage& image, double current_a) {
    return seconds(image.time_to_trip(0, current_a).value());
}

const double ratings_a[] = {15, 20, 30, 35, 40, 50, 60, 70, 100};

/// UL 489: what a breaker of this rating may take at most.
struct Ul489 {
    double at_135_percent_s;
    double at_200_percent_s;
};
Ul489 ul_489(double rating_a) {
    if (rating_a <= 30) return {3600, 120};
    if (rating_a <= 50) return {3600, 240};
    return {7200, 360};
}

}  // namespace

TEST_CASE("The late edge just meets UL 489 at 200 % of the rating, and meets it at 135 %") {
    for (const double rating_a : ratings_a) {
        INFO(rating_a << " A");
        const ThermalImage late = breaker_late_edge(rating_a);
        const Ul489 most = ul_489(rating_a);
        CHECK(cold_trip_s(late, 2 * rating_a) <= most.at_200_percent_s);
        CHECK(cold_trip_s(late, 2 * rating_a) == Approx(most.at_200_percent_s).epsilon(0.001));
        CHECK(cold_trip_s(late, 1.35 * rating_a) <= most.at_135_percent_s);
    }
}

TEST_CASE("The late edge carries what UL 489 says a breaker must hold, and more") {
    for (const double rating_a : ratings_a) {
        CHECK_FALSE(breaker_late_edge(rating_a).time_to_trip(0, rating_a));
        // UL 489 sets no longest time between 100 and 135 %: the slowest breaker need not trip there.
        CHECK_FALSE(breaker_late_edge(rating_a).time_to_trip(0, 1.34 * rating_a));
    }
}

TEST_CASE("The early edge holds 100 % of the rating, as UL 489 demands, and promises nothing above it") {
    for (const double rating_a : ratings_a) {
        const ThermalImage early = breaker_early_edge(rating_a);
        CHECK_FALSE(early.time_to_trip(0, rating_a));
        CHECK(early.time_to_trip(0, 1.01 * rating_a));
    }
}

TEST_CASE("The early edge is no later than the earliest trip that IEC 60898-1 allows") {
    // IEC 60898-1, table 7: 2.55 In from cold takes 1 s at least, to 60 s (to 32 A) or 120 s at most.
    // 1.13 In is held for an hour; the early edge is stricter there, since UL 489 has no such point.
    for (const double rating_a : ratings_a) {
        const ThermalImage early = breaker_early_edge(rating_a);
        CHECK(cold_trip_s(early, 2.55 * rating_a) == Approx(1).margin(1e-3));
        CHECK(cold_trip_s(early, 1.13 * rating_a) < 3600);
        CHECK(cold_trip_s(early, 1.45 * rating_a) < 3600);
    }
}

TEST_CASE("The late edge of UL 489 stays outside IEC 60898-1 only where the two standards differ") {
    // UL 489 allows 2 min at 200 %; IEC 60898-1 wants less than 60 s (to 32 A) at 255 %: the late edge, which
    // serves UL 489, is a little slower.
    CHECK(cold_trip_s(breaker_late_edge(30), 2.55 * 30) == Approx(65).margin(1));
}

TEST_CASE("The early edge comes before the late edge at every overload") {
    for (const double rating_a : ratings_a) {
        for (const double multiple : {1.35, 1.5, 2.0, 2.55, 3.0, 5.0, 10.0}) {
            CHECK(cold_trip_s(breaker_early_edge(rating_a), multiple * rating_a) <
                  cold_trip_s(breaker_late_edge(rating_a), multiple * rating_a));
        }
    }
}

TEST_CASE("The ceiling is the low end of zone B, so no zone of IEC 60898-1 trips instantaneously under it") {
    // IEC 60898-1: instantaneous tripping begins above 3 In (B), 5 In (C), 10 In (D); at these very currents
    // it takes 0.1 s at least.
    const Source source = compile("s", "s", 120, Feed::one_leg, BreakerPlate{30});
    const double lowest[] = {3, 5, 10};
    for (const double zone : lowest)
        CHECK(source.limits.at(0).ceiling_a <= zone * 30);
    CHECK(source.limits.at(0).ceiling_a == 3 * 30);
    CHECK(cold_trip_s(breaker_early_edge(30), source.limits.at(0).ceiling_a) >= 0.1);
}

TEST_CASE("NEMA AB 4 at 300 % is met to 30 A and from 51 A") {
    // NEMA AB 4 / NETA table 100.7, to 250 V: 50 s to 30 A, 80 s to 50 A, 140 s to 100 A at most (from
    // memory). From 31 to 50 A the late edge of UL 489 is later than this field test: 89 s.
    CHECK(cold_trip_s(breaker_late_edge(30), 90) < 50);
    CHECK(cold_trip_s(breaker_late_edge(50), 150) == Approx(89.3).margin(0.1));
    CHECK(cold_trip_s(breaker_late_edge(100), 300) < 140);
}

TEST_CASE("The continuous-load image keeps the rule of three hours and 80 %") {
    // NEC article 100: continuous is what lasts three hours or more. NEC 210.20(A): the rating is at least
    // 1.25 x the continuous load, so 12, 16, 24 and 40 A on 15, 20, 30 and 50 A.
    struct Point {
        double rating_a, continuous_a;
    };
    const Point points[] = {{15, 12}, {20, 16}, {30, 24}, {50, 40}};
    for (const auto& point : points) {
        INFO(point.rating_a << " A");
        const ThermalImage image = continuous_load_image(point.rating_a);
        CHECK(1.25 * image.pickup_a == Approx(point.rating_a));
        CHECK_FALSE(image.time_to_trip(0, point.continuous_a * (1 - 1e-12)));
        CHECK(cold_trip_s(image, point.rating_a) == Approx(3 * 3600).margin(1));
        CHECK(cold_trip_s(image, 0.9 * point.rating_a) > 3 * 3600);
        // Whatever the rating carries, the rule is not broken within its three hours.
        for (const double share : {0.81, 0.85, 0.9, 0.95, 0.99, 1.0})
            CHECK(cold_trip_s(image, share * point.rating_a) >= 3 * 3600 - 1);
    }
}

TEST_CASE("Another continuous share keeps its own percentage, and the three hours") {
    for (const double share : {0.5, 0.7, 0.9, 0.99}) {
        const ThermalImage image = continuous_load_image(20, share);
        CHECK_FALSE(image.time_to_trip(0, share * 20 * (1 - 1e-12)));
        CHECK(cold_trip_s(image, 20) == Approx(3 * 3600).margin(1));
    }
}

TEST_CASE("Warm air makes the thermal trip earlier, and leaves the magnetic trip alone") {
    BreakerPlate plate{30};
    plate.ambient_share = breaker_ambient_share(50);
    const Limit warm = compile("s", "s", 120, Feed::one_leg, plate).limits.at(0);
    const Limit cool = compile("s", "s", 120, Feed::one_leg, BreakerPlate{30}).limits.at(0);
    CHECK(warm.images.at(0).pickup_a == Approx(0.88 * 30));
    CHECK(warm.steady_a == Approx(0.88 * cool.steady_a));
    CHECK(warm.ceiling_a == cool.ceiling_a);
    CHECK(warm.images.at(1).pickup_a == cool.images.at(1).pickup_a);  // the NEC's rule is about the rating
}
