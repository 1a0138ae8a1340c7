// What thin air and heat take away: from an engine's power, and from the current a breaker carries. All
// functions are pure; each names the standard its formula is from. A share of 1 means that nothing is lost.
// Shares are never above 1: what a cold day at the coast would add is no reason to trust a plate less its
// margin.
#pragma once

namespace ampmarshal::rules {

constexpr double metres(double feet) {
    return feet * 0.3048;
}

constexpr double celsius(double fahrenheit) {
    return (fahrenheit - 32) / 1.8;
}

/// Dry air pressure of the standard atmosphere, ISO 2533, for the troposphere (-2000 to 11000 m).
double standard_pressure_hpa(double altitude_m);

/// The temperature that an engine's rating holds at, in SAE J1349 and ISO 3046-1.
inline constexpr double reference_inlet_c = 25;

/// Inlet air as an engine sees it. Humidity is taken as nil; docs/supply.md says what that leaves out.
struct InletAir {
    double pressure_hpa;
    double temperature_c;
};

/// Share of the rated power that a spark-ignition engine without a turbocharger keeps, by SAE J1349 (1990).
double sae_j1349_share(InletAir air);

/// The same by ISO 3046-1, whose exponents depend on the engine. The letters are those of its table.
enum class Iso3046Engine {
    diesel,        ///< A: compression ignition, naturally aspirated, limited by its air
    diesel_hot,    ///< B: the same, limited by its heat
    turbo_diesel,  ///< D: turbocharged with a charge cooler
    gas,           ///< F: spark ignition, gas fuel, naturally aspirated
    petrol,        ///< H: spark ignition, liquid fuel, naturally aspirated
};

struct Iso3046Setting {
    double mechanical_efficiency = 0.8;           ///< the standard's value where the maker gives none
    double charge_coolant_c = reference_inlet_c;  ///< matters for turbo_diesel only
};

double iso_3046_share(Iso3046Engine engine, InletAir air, Iso3046Setting setting);

/// Share of its rating that a thermal-magnetic breaker carries when the air round it is this warm.
double breaker_ambient_share(double ambient_c);

}  // namespace ampmarshal::rules
