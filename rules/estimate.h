// A start current for a load that has not been measured yet, from what its nameplate says. An estimate errs
// high, carries the range it may be off by, and is to be replaced by a measurement.
#pragma once

#include <optional>
#include <string>

namespace ampmarshal::rules {

struct Estimate {
    double start_a;  ///< to be reckoned with until it is measured
    double low_a;
    double high_a;
    std::string basis;  ///< as a person would say it: "code letter K, 1 hp at 115 V"
};

/// From the locked-rotor code letter of a single-phase motor, NEC table 430.7(B). Nothing for a letter that
/// is not used (I, O, Q), or that has no upper end (V).
std::optional<Estimate> start_from_code_letter(char letter, double horsepower, double volts);

/// From the horsepower alone: six times the full-load current, NEC tables 430.248 and 430.251(A), for 1/6 to
/// 3 hp at 115 or 230 V. Between two sizes the larger one holds.
std::optional<Estimate> start_from_horsepower(double horsepower, double volts);

/// From the rated-load current (RLA) of a compressor and the multiple that its maker, or its user, states.
Estimate start_from_rated_load(double rated_load_a, double multiple);

}  // namespace ampmarshal::rules
