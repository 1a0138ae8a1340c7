// The thermal image against the curves of IEC 60255-149, and its exact solution against a numerical
// integration of the same differential equation by Boost.odeint.
#include "rules/thermal_image.h"

#include <algorithm>
#include <boost/numeric/odeint.hpp>
#include <cmath>
#include <cstdlib>
#include <random>
#include <string>

#include "tests/support/catch.h"

using namespace ampmarshal::rules;
using namespace std::chrono_literals;

TEST_CASE("The image trips where the cold and hot curves of IEC 60255-149 say") {
    // IEC 60255-149 (earlier 60255-8): cold t = tau ln(I^2 / (I^2 - (k Ib)^2)),
    // hot t = tau ln((I^2 - Ip^2) / (I^2 - (k Ib)^2)). The table is that formula evaluated by other means,
    // since the standard prints no worked example; t / tau against I / (k Ib), with no load before, and 80
    // and 90 %.
    struct Row {
        double multiple, cold, after_80, after_90;
    };
    const Row rows[] = {
        {1.05, 2.375473, 1.506784, 1.048602}, {1.2, 1.185624, 0.597837, 0.358945},
        {1.35, 0.795616, 0.363038, 0.207829}, {1.5, 0.587787, 0.253091, 0.141500},
        {2, 0.287682, 0.113329, 0.061409},    {3, 0.117783, 0.044017, 0.023472},
        {6, 0.028171, 0.010233, 0.005414},
    };
    const ThermalImage image{20, 1000s};
    for (const Row& row : rows) {
        INFO("multiple " << row.multiple);
        const double current_a = row.multiple * 20;
        const auto trip_s = [&](double load_before) {
            return seconds(image.time_to_trip(image.settles_at(load_before * 20), current_a).value());
        };
        CHECK(trip_s(0) / 1000 == Approx(row.cold).margin(1e-6));
        CHECK(trip_s(0.8) / 1000 == Approx(row.after_80).margin(1e-6));
        CHECK(trip_s(0.9) / 1000 == Approx(row.after_90).margin(1e-6));
    }
    // tau 600 s, twice the pick-up: 172.61 s cold, 36.85 s after 90 %.
    const ThermalImage slow{10, 600s};
    CHECK(seconds(slow.time_to_trip(0, 20).value()) == Approx(172.61).margin(0.005));
    CHECK(seconds(slow.time_to_trip(0.81, 20).value()) == Approx(36.85).margin(0.005));
}

TEST_CASE("The image never trips at its pick-up, and has tripped at 1") {
    // IEC 60255-149: no operation for I <= k Ib.
    const ThermalImage image{20, 600s};
    CHECK_FALSE(image.time_to_trip(0, 20));
    CHECK_FALSE(image.time_to_trip(0.99, 19));
    CHECK(image.time_to_trip(1, 0) == Duration::zero());
}

namespace {

unsigned seed() {
    const char* given = std::getenv("AMPMARSHAL_TEST_SEED");
    return given != nullptr ? static_cast<unsigned>(std::stoul(given)) : std::random_device{}();
}

double integrated(const ThermalImage& image, double theta, double current_a, double held_s) {
    namespace odeint = boost::numeric::odeint;
    const double r2 = (current_a / image.pickup_a) * (current_a / image.pickup_a);
    const double tau_s = seconds(image.tau);
    const auto equation = [r2, tau_s](const double& x, double& dxdt, double) { dxdt = (r2 - x) / tau_s; };
    odeint::integrate_adaptive(odeint::make_controlled<odeint::runge_kutta_fehlberg78<double>>(1e-14, 1e-13),
                               equation, theta, 0.0, held_s, std::min(held_s, tau_s) / 100);
    return theta;
}

}  // namespace

TEST_CASE("The closed form solves the differential equation for any profile of held currents") {
    const unsigned used = seed();
    INFO("AMPMARSHAL_TEST_SEED=" << used);
    std::mt19937 random(used);
    const auto between = [&](double least, double most) {
        return std::uniform_real_distribution<double>(least, most)(random);
    };
    double worst = 0;
    for (int profile = 0; profile < 100; ++profile) {
        const ThermalImage image{between(5, 100), from_seconds(std::pow(10, between(0, 4.5)))};
        double exact = 0;
        double numeric = 0;
        for (int step = 0; step < 30; ++step) {
            const double current_a = between(0, 4) * image.pickup_a;
            const Duration held_for = from_seconds(seconds(image.tau) * std::pow(10, between(-4, 0.5)));
            exact = image.after(exact, current_a, held_for);
            numeric = integrated(image, numeric, current_a, seconds(held_for));
            worst = std::max(worst, std::abs(exact - numeric) / std::max(numeric, 1e-6));
        }
    }
    INFO("largest relative error " << worst);
    CHECK(worst < 1e-9);
}

TEST_CASE("After the time to trip the image stands at 1") {
    const unsigned used = seed();
    INFO("AMPMARSHAL_TEST_SEED=" << used);
    std::mt19937 random(used);
    const ThermalImage image{20, 417s};
    for (int i = 0; i < 1000; ++i) {
        const double theta = std::uniform_real_distribution<double>(0, 0.999)(random);
        const double current_a = std::uniform_real_distribution<double>(20.01, 200)(random);
        const auto trip = image.time_to_trip(theta, current_a);
        REQUIRE(trip);
        CHECK(image.after(theta, current_a, *trip) ==
              Approx(1).margin(1e-5));  // times are whole microseconds
    }
}
