#include "daemon/plates.h"

#include <cstdio>

#include "rules/derating.h"
#include "rules/estimate.h"

namespace ampmarshal::daemon {

namespace {

constexpr double fallback_starting_for_s = 10;

void warn(Mistakes& warnings, const Section& section, std::string_view key, std::string wrong,
          std::string right) {
    warnings.push_back({section.pointer_to(key), std::move(wrong), std::move(right)});
}

/// The same quantity in either of two units, but not in both.
struct Unit {
    std::string_view key;
    Range range;
};
std::optional<double> read_in_either(Section& section, Unit ours, Unit other, double (*to_ours)(double)) {
    const bool in_ours = section.has(ours.key);
    if (section.has(other.key)) {
        if (in_ours)
            section.mistake(other.key, "says again what " + in_quotes(ours.key) + " says",
                            "give one of them");
        return to_ours(section.number(other.key, other.range));
    }
    return in_ours ? std::optional(section.number(ours.key, ours.range)) : std::nullopt;
}

double read_steady_share(Section& section, Mistakes& warnings) {
    const double share = section.number("steady_share", {0.1, 1}, rules::default_steady_share);
    if (share > rules::default_steady_share) {
        warn(warnings, section, "steady_share",
             "keeps less than 5 % for the meter's error, so the source may carry more than its rating "
             "unnoticed",
             "leave it out unless the meter was checked against a better one");
    }
    return share;
}

rules::BreakerPlate read_breaker(Section& section, Mistakes& warnings) {
    rules::BreakerPlate plate{.rating_a = section.number("rating_a", {1, 100}),
                              .steady_share = read_steady_share(section, warnings)};
    plate.continuous_share = section.number("continuous_share", {0.1, 1}, rules::default_continuous_share);
    if (plate.continuous_share > rules::default_continuous_share) {
        warn(warnings, section, "continuous_share",
             "lets the breaker carry more than 80 % of its rating for three hours and longer, which NEC "
             "210.20(A) "
             "reserves for equipment listed for it",
             "leave it out unless the breaker is marked for continuous duty at 100 % of its rating");
    }
    const auto ambient_c =
        read_in_either(section, {"ambient_c", {-40, 85}}, {"ambient_f", {-40, 185}}, rules::celsius);
    if (ambient_c) plate.ambient_share = rules::breaker_ambient_share(*ambient_c);
    return plate;
}

/// What a generator's site leaves of its ratings.
double read_derating(Section& section) {
    if (section.has("percent")) {
        for (const char* key : {"altitude_m", "altitude_ft", "inlet_air_c", "inlet_air_f", "formula"}) {
            if (section.has(key))
                section.mistake(key, "is of no use beside a percentage", "give one or the other");
        }
        return 1 - section.number("percent", {0, 100}) / 100;
    }
    const auto altitude_m =
        read_in_either(section, {"altitude_m", {-500, 5000}}, {"altitude_ft", {-1640, 16400}}, rules::metres);
    const auto inlet_c =
        read_in_either(section, {"inlet_air_c", {-40, 60}}, {"inlet_air_f", {-40, 140}}, rules::celsius);
    if (!altitude_m && !inlet_c)
        section.mistake("", "tells neither an altitude nor a temperature nor a percentage",
                        "give one of them");
    const auto formula = section.one_of("formula",
                                        {"sae_j1349", "iso_3046_1_diesel", "iso_3046_1_diesel_hot",
                                         "iso_3046_1_turbo_diesel", "iso_3046_1_gas", "iso_3046_1_petrol"},
                                        0);
    const rules::InletAir air{.pressure_hpa = rules::standard_pressure_hpa(altitude_m.value_or(0)),
                              .temperature_c = inlet_c.value_or(rules::reference_inlet_c)};
    if (!formula || *formula == 0) return rules::sae_j1349_share(air);
    using enum rules::Iso3046Engine;
    constexpr rules::Iso3046Engine engines[] = {diesel, diesel_hot, turbo_diesel, gas, petrol};
    // The charge cooler of a small set is cooled by the air it stands in.
    return rules::iso_3046_share(engines[*formula - 1], air, {.charge_coolant_c = air.temperature_c});
}

rules::GeneratorPlate read_generator(Section& section, Mistakes& warnings) {
    rules::GeneratorPlate plate{.running_w = section.number("running_w", {100, 50000}),
                                .starting_w = section.number("starting_w", {100, 100000}),
                                .starting_for = rules::from_seconds(
                                    section.number("starting_for_s", {0.1, 600}, fallback_starting_for_s)),
                                .steady_share = read_steady_share(section, warnings)};
    section.object("derating", Section::Absent::skipped,
                   [&](Section& it) { plate.site_share = read_derating(it); });
    return plate;
}

rules::InverterPlate read_inverter(Section& section, Mistakes& warnings) {
    return {.continuous_w = section.number("continuous_w", {100, 50000}),
            .surge_w = section.number("surge_w", {100, 100000}),
            .surge_for = rules::from_seconds(section.number("surge_for_s", {0.1, 600})),
            .steady_share = read_steady_share(section, warnings)};
}

/// What is in series behind the source reaches the legs as the source does, or, behind an adapter that feeds
/// both legs from one conductor, may have a conductor for each.
rules::Feed read_feed_behind(rules::Feed source, Section& section) {
    if (source == rules::Feed::shared_by_legs) {
        return section.one_of("feed", {"shared_by_legs", "two_legs"}, 0) == 1 ? rules::Feed::two_legs
                                                                              : source;
    }
    section.one_of("feed", {source == rules::Feed::one_leg ? "one_leg" : "two_legs"}, 0);
    return source;
}

/// What the nameplate gives where nobody has measured the start yet; nothing if the stage does not say.
std::optional<rules::Estimate> read_nameplate(Section& section, double motor_v) {
    const bool by_letter = section.has("code_letter");
    const bool by_horsepower = section.has("horsepower");
    if (by_letter || by_horsepower) {
        for (const char* key : {"rla_a", "multiple"}) {
            if (section.has(key)) section.mistake(key, "estimates the start again", "estimate it in one way");
        }
        const double horsepower = section.number("horsepower", {0.05, 10});
        if (!by_letter) {
            auto estimate = rules::start_from_horsepower(horsepower, motor_v);
            if (!estimate && section.sound())
                section.mistake("horsepower", "is beyond the table, which ends at 3 hp", "give start_a");
            return estimate;
        }
        const std::string letter = section.text("code_letter");
        auto estimate =
            letter.size() == 1 ? rules::start_from_code_letter(letter[0], horsepower, motor_v) : std::nullopt;
        if (!estimate && !letter.empty())
            section.mistake("code_letter", in_quotes(letter) + " is no code letter with an upper end",
                            "give a letter from A to U without I, O and Q, or give start_a");
        return estimate;
    }
    if (!section.has("rla_a") && !section.has("multiple")) return std::nullopt;
    return rules::start_from_rated_load(section.number("rla_a", {0.1, 100}),
                                        section.number("multiple", {1, 10}));
}

bool tells_nameplate(Section& section) {
    bool any = false;
    for (const char* key : {"code_letter", "horsepower", "rla_a", "multiple"})
        any = section.has(key) || any;
    return any;
}

std::string tenths(double value) {
    char buffer[32];
    std::snprintf(buffer, sizeof buffer, "%.1f", value);
    return buffer;
}

}  // namespace

std::optional<rules::Plate> read_plate(Section& section, Mistakes& warnings) {
    const auto kind = section.one_of("kind", {"breaker", "generator", "inverter"});
    if (!kind) {
        section.ignore_the_rest();
        return std::nullopt;
    }
    if (*kind == 0) return read_breaker(section, warnings);
    if (*kind == 1) return read_generator(section, warnings);
    return read_inverter(section, warnings);
}

std::vector<rules::Behind> read_behind(Section& section, rules::Feed source, Mistakes& warnings) {
    std::vector<rules::Behind> behind;
    section.each("behind", 0, 4, [&](Section& stage) {
        std::string name = stage.text("name");
        const rules::Feed feed = read_feed_behind(source, stage);
        const rules::BreakerPlate plate = read_breaker(stage, warnings);
        const std::string fault = stage.sound() ? rules::plate_fault(plate) : "";
        if (!fault.empty()) stage.mistake("", fault, "");
        behind.push_back({.name = std::move(name), .feed = feed, .plate = plate});
    });
    return behind;
}

double read_start_a(Section& section, double motor_v, Mistakes& warnings) {
    if (section.has("start_a") || !tells_nameplate(section)) {
        if (tells_nameplate(section))
            section.mistake("start_a", "is given, and a nameplate to estimate it from, too", "leave one out");
        return section.number("start_a", {0, largest_a});
    }
    const auto estimate = read_nameplate(section, motor_v);
    if (!estimate) return largest_a;
    warn(warnings, section, "start_a",
         "is an estimate: " + tenths(estimate->start_a) + " A (" + tenths(estimate->low_a) + " to " +
             tenths(estimate->high_a) + " A) from " + estimate->basis,
         "measure a start and give start_a instead");
    return estimate->start_a;
}

}  // namespace ampmarshal::daemon
