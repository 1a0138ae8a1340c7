#include "rules/estimate.h"

#include <algorithm>
#include <array>
#include <charconv>

namespace ampmarshal::rules {

namespace {

// NEC table 430.7(B): kVA per horsepower with the rotor locked.
struct CodeLetter {
    char letter;
    double low_kva_per_hp;
    double high_kva_per_hp;
};
constexpr std::array code_letters{
    CodeLetter{'A', 0, 3.14},     CodeLetter{'B', 3.15, 3.54},  CodeLetter{'C', 3.55, 3.99},
    CodeLetter{'D', 4.0, 4.49},   CodeLetter{'E', 4.5, 4.99},   CodeLetter{'F', 5.0, 5.59},
    CodeLetter{'G', 5.6, 6.29},   CodeLetter{'H', 6.3, 7.09},   CodeLetter{'J', 7.1, 7.99},
    CodeLetter{'K', 8.0, 8.99},   CodeLetter{'L', 9.0, 9.99},   CodeLetter{'M', 10.0, 11.19},
    CodeLetter{'N', 11.2, 12.49}, CodeLetter{'P', 12.5, 13.99}, CodeLetter{'R', 14.0, 15.99},
    CodeLetter{'S', 16.0, 17.99}, CodeLetter{'T', 18.0, 19.99}, CodeLetter{'U', 20.0, 22.39},
};

// NEC table 430.248: full-load current of single-phase motors at 115 V. At 230 V it is half.
struct FullLoad {
    double horsepower;
    double at_115_v_a;
};
constexpr std::array full_loads{
    FullLoad{1.0 / 6, 4.4}, FullLoad{0.25, 5.8},  FullLoad{1.0 / 3, 7.2},
    FullLoad{0.5, 9.8},     FullLoad{0.75, 13.8}, FullLoad{1, 16},
    FullLoad{1.5, 20},      FullLoad{2, 24},      FullLoad{3, 34},
};

// NEC table 430.251(A) is six times 430.248.
constexpr double locked_rotor_multiple = 6;

// Common practice, no source: locked-rotor currents are three to eight times the running current.
constexpr double least_multiple = 3;
constexpr double greatest_multiple = 8;

/// Three figures are more than an estimate deserves.
std::string rounded(double value) {
    char buffer[32];
    const auto end =
        std::to_chars(std::begin(buffer), std::end(buffer), value, std::chars_format::general, 3).ptr;
    return {buffer, end};
}

}  // namespace

std::optional<Estimate> start_from_code_letter(char letter, double horsepower, double volts) {
    const auto row = std::find_if(code_letters.begin(), code_letters.end(),
                                  [letter](const CodeLetter& row) { return row.letter == letter; });
    if (row == code_letters.end()) return std::nullopt;
    const double a_per_kva_per_hp = 1000 * horsepower / volts;
    const double high_a = row->high_kva_per_hp * a_per_kva_per_hp;
    return Estimate{high_a, row->low_kva_per_hp * a_per_kva_per_hp, high_a,
                    std::string("code letter ") + letter + ", " + rounded(horsepower) + " hp at " +
                        rounded(volts) + " V"};
}

std::optional<Estimate> start_from_horsepower(double horsepower, double volts) {
    constexpr double rounding = 1e-3;  // 0.333 hp means the row of 1/3
    const auto row = std::find_if(full_loads.begin(), full_loads.end(), [horsepower](const FullLoad& row) {
        return horsepower <= row.horsepower + rounding;
    });
    if (!(horsepower > 0) || row == full_loads.end()) return std::nullopt;
    const double full_load_a = row->at_115_v_a * 115 / volts;
    return Estimate{locked_rotor_multiple * full_load_a, least_multiple * full_load_a,
                    greatest_multiple * full_load_a, rounded(horsepower) + " hp at " + rounded(volts) + " V"};
}

Estimate start_from_rated_load(double rated_load_a, double multiple) {
    return {multiple * rated_load_a, std::min(multiple, least_multiple) * rated_load_a,
            std::max(multiple, greatest_multiple) * rated_load_a,
            rounded(multiple) + " times the rated-load current of " + rounded(rated_load_a) + " A"};
}

}  // namespace ampmarshal::rules
