// Derating against published values.
#include "rules/derating.h"

#include "tests/support/catch.h"

using namespace ampmarshal::rules;

TEST_CASE("The standard atmosphere is that of ISO 2533") {
    // ISO 2533, table 1: 0, 1000, 2000 and 3000 m. 1500 m: the formula evaluated by other means.
    CHECK(standard_pressure_hpa(0) == Approx(1013.250).margin(0.0005));
    CHECK(standard_pressure_hpa(1000) == Approx(898.746).margin(0.005));
    CHECK(standard_pressure_hpa(1500) == Approx(845.560).margin(0.005));
    CHECK(standard_pressure_hpa(2000) == Approx(794.952).margin(0.005));
    CHECK(standard_pressure_hpa(3000) == Approx(701.085).margin(0.005));
    CHECK(standard_pressure_hpa(-500) > standard_pressure_hpa(0));
}

TEST_CASE("Feet and degrees Fahrenheit are converted exactly") {
    CHECK(metres(1000) == Approx(304.8));  // the international foot
    CHECK(celsius(212) == Approx(100));
    CHECK(celsius(-40) == Approx(-40));
}

TEST_CASE("A spark-ignition engine keeps what SAE J1349 says") {
    // SAE J1349 (1990): cf = 1.18 (990 / Pd) sqrt((Tc + 273) / 298) - 0.18, site power = rated power / cf;
    // the values are that formula evaluated by other means.
    struct Row {
        double dry_hpa, inlet_c, share;
    };
    const Row rows[] = {{990, 25, 1},
                        {898.746, 25, 0.89301},
                        {845.56, 35, 0.81662},
                        {794.952, 25, 0.77548},
                        {701.085, 25, 0.67282}};
    for (const Row& row : rows) {
        INFO(row.dry_hpa << " hPa, " << row.inlet_c << " C");
        CHECK(sae_j1349_share({row.dry_hpa, row.inlet_c}) == Approx(row.share).margin(1e-5));
    }
}

TEST_CASE("A cold day at the coast adds nothing to a plate") {
    // By SAE J1349 it would be 1.04886 at sea level and 15 C.
    CHECK(sae_j1349_share({1013.25, 15}) == 1);
    CHECK(iso_3046_share(Iso3046Engine::petrol, {1013.25, 15}, {}) == 1);
    CHECK(breaker_ambient_share(0) == 1);
}

TEST_CASE("SAE J1349 agrees with the rule of thumb of 3 to 4 % for each 1000 ft") {
    // Common practice, no source; above a stated reference, here the standard's own, near 195 m.
    for (const double altitude_ft : {2000.0, 4000.0, 6000.0, 8000.0}) {
        INFO(altitude_ft << " ft");
        const double above_reference_kft = altitude_ft / 1000 - 0.64;
        const double lost = 1 - sae_j1349_share({standard_pressure_hpa(metres(altitude_ft)), 25});
        CHECK(lost > 0.03 * above_reference_kft);
        CHECK(lost < 0.045 * above_reference_kft);
    }
}

TEST_CASE("An engine keeps what ISO 3046-1 says, each kind by its own exponents") {
    // ISO 3046-1: alpha = k - 0.7 (1 - k) (1 / eta - 1); formula and exponents from memory, the values are
    // the formula evaluated by other means for dry air. Row D is recalled as the example of the standard's
    // annex.
    CHECK(iso_3046_share(Iso3046Engine::petrol, {794.95, 25}, {}) == Approx(0.75907).margin(2e-5));
    CHECK(iso_3046_share(Iso3046Engine::petrol, {845.56, 35}, {}) == Approx(0.80227).margin(2e-5));
    CHECK(iso_3046_share(Iso3046Engine::diesel, {845.56, 35}, {}) == Approx(0.79424).margin(2e-5));
    CHECK(iso_3046_share(Iso3046Engine::turbo_diesel, {700, 57},
                         {.mechanical_efficiency = 0.85, .charge_coolant_c = 27}) ==
          Approx(0.64576).margin(2e-5));
    // Row B: k = 0.84556 x 298 / 308. Row F: k = 0.84556^0.86 (298 / 308)^0.55.
    CHECK(iso_3046_share(Iso3046Engine::diesel_hot, {845.56, 35}, {}) == Approx(0.78627).margin(2e-5));
    CHECK(iso_3046_share(Iso3046Engine::gas, {845.56, 35}, {}) == Approx(0.82385).margin(2e-5));
}

TEST_CASE("The two standards agree for a petrol engine within a few percent") {
    for (const double altitude_m : {500.0, 1000.0, 2000.0, 3000.0}) {
        const InletAir air{standard_pressure_hpa(altitude_m), 30};
        CHECK(sae_j1349_share(air) == Approx(iso_3046_share(Iso3046Engine::petrol, air, {})).margin(0.03));
    }
}

TEST_CASE("A breaker in warm air carries 6 % less for each 10 K above 30 C") {
    // Common practice for thermal-magnetic breakers referred to 30 C (IEC 60898-1).
    CHECK(breaker_ambient_share(30) == 1);
    CHECK(breaker_ambient_share(40) == Approx(0.94));
    CHECK(breaker_ambient_share(60) == Approx(0.82));
}
