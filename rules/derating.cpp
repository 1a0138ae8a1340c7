#include "rules/derating.h"

#include <algorithm>
#include <cmath>

namespace ampmarshal::rules {

namespace {

constexpr double kelvin(double temperature_c) {
    // ISO 3046-1 counts 25 C as 298 K, SAE J1349 adds 273: neither uses the .15.
    return temperature_c + 273;
}

constexpr double reference_k = kelvin(reference_inlet_c);

struct Exponents {
    double m;
    double n;
    double s;
};

/// ISO 3046-1, table of exponents. Its humidity term falls away, since the air is taken as dry.
Exponents exponents_of(Iso3046Engine engine) {
    switch (engine) {
        case Iso3046Engine::diesel: return {1, 0.75, 0};
        case Iso3046Engine::diesel_hot: return {1, 1, 0};
        case Iso3046Engine::turbo_diesel: return {0.7, 1.2, 1};
        case Iso3046Engine::gas: return {0.86, 0.55, 0};
        case Iso3046Engine::petrol: break;
    }
    return {1, 0.5, 0};
}

double as_share(double value) {
    return std::clamp(value, 0.0, 1.0);
}

}  // namespace

double standard_pressure_hpa(double altitude_m) {
    constexpr double sea_level_hpa = 1013.25;
    constexpr double sea_level_k = 288.15;
    constexpr double lapse_k_per_m = 0.0065;
    constexpr double exponent = 5.255880;  // g / (R x lapse) = 9.80665 / (287.05287 x 0.0065)
    return sea_level_hpa * std::pow(1 - lapse_k_per_m * altitude_m / sea_level_k, exponent);
}

double sae_j1349_share(InletAir air) {
    // The standard gives the factor that brings a measured power back to 990 hPa and 25 C; a plate goes the
    // other way, so it is divided by. The 0.18 stands for the friction of an engine that is 85 % efficient.
    const double factor =
        1.18 * (990 / air.pressure_hpa) * std::sqrt(kelvin(air.temperature_c) / reference_k) - 0.18;
    return as_share(1 / factor);
}

double iso_3046_share(Iso3046Engine engine, InletAir air, Iso3046Setting setting) {
    constexpr double reference_hpa = 1000;
    const Exponents e = exponents_of(engine);
    const double k = std::pow(air.pressure_hpa / reference_hpa, e.m) *
                     std::pow(reference_k / kelvin(air.temperature_c), e.n) *
                     std::pow(reference_k / kelvin(setting.charge_coolant_c), e.s);
    return as_share(k - 0.7 * (1 - k) * (1 / setting.mechanical_efficiency - 1));
}

double breaker_ambient_share(double ambient_c) {
    // IEC 60898-1 refers its currents to 30 C. Common practice: above it the thermal trip comes about 6 %
    // earlier for each 10 K.
    return as_share(1 - 0.006 * (ambient_c - 30));
}

}  // namespace ampmarshal::rules
