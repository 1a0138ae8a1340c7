// The tables of docs/supply.md, read from the page itself, against the functions that decide: a reader must
// not be told another figure than the program uses. Whether the figures are right is for the other tests
// here, which hold the same functions against published values.
#include <cmath>
#include <fstream>
#include <map>
#include <sstream>
#include <string>
#include <vector>

#include "rules/derating.h"
#include "rules/source.h"
#include "tests/support/catch.h"

using namespace ampmarshal::rules;

namespace {

using Row = std::vector<std::string>;

std::string trimmed(std::string cell) {
    const auto drop = [](char c) { return c == ' ' || c == '`'; };
    while (!cell.empty() && drop(cell.back()))
        cell.pop_back();
    while (!cell.empty() && drop(cell.front()))
        cell.erase(cell.begin());
    return cell;
}

Row cells(const std::string& line) {
    Row row;
    std::istringstream rest(line.substr(1));
    for (std::string cell; std::getline(rest, cell, '|');)
        row.push_back(trimmed(cell));
    return row;
}

/// The table whose heading begins with `first` and `second`: heading and rows, without the rule between.
std::vector<Row> table(const std::string& first, const std::string& second) {
    std::ifstream page(AMPMARSHAL_SUPPLY_PAGE);
    std::vector<Row> rows;
    for (std::string line; std::getline(page, line);) {
        if (!line.starts_with('|')) {
            if (!rows.empty()) return rows;
            continue;
        }
        Row row = cells(line);
        const bool heading = rows.empty() && row.size() > 1 && row[0] == first && row[1] == second;
        if (heading || (!rows.empty() && !row[0].starts_with("---"))) rows.push_back(std::move(row));
    }
    return rows;
}

/// The number a cell begins with.
double number(const std::string& cell) {
    return std::stod(cell);
}

/// The air temperature of a cell like "35 °C / 95 °F", of which both must be the same.
double air_c(const std::string& cell) {
    const double c = number(cell);
    CHECK(celsius(number(cell.substr(cell.find('/') + 1))) == Approx(c).margin(0.5));
    return c;
}

/// A share as the page writes it, in whole percent.
std::string percent(double share) {
    return std::to_string(std::lround(100 * share)) + " %";
}

}  // namespace

TEST_CASE("The page's table of breakers in warm air is what the program reckons with") {
    const auto rows = table("Air", "30 °C / 86 °F");
    REQUIRE(rows.size() == 2);
    REQUIRE(rows[1].size() == rows[0].size());
    for (std::size_t i = 1; i < rows[0].size(); ++i)
        CHECK(rows[1][i] == percent(breaker_ambient_share(air_c(rows[0][i]))));
}

TEST_CASE("The page's table of SAE J1349 is what the program reckons with") {
    const auto rows = table("Altitude", "hPa");
    REQUIRE(rows.size() == 8);
    for (std::size_t r = 1; r < rows.size(); ++r) {
        INFO(rows[r][0]);
        REQUIRE(rows[r].size() == rows[0].size());
        const double altitude_m = number(rows[r][0]);
        const auto feet = rows[r][0].find('(');
        if (feet != std::string::npos)
            CHECK(metres(number(rows[r][0].substr(feet + 1))) == Approx(altitude_m).margin(1));
        const double pressure_hpa = standard_pressure_hpa(altitude_m);
        CHECK(rows[r][1] == std::to_string(std::lround(pressure_hpa)));
        for (std::size_t i = 2; i < rows[0].size(); ++i)
            CHECK(rows[r][i] == percent(sae_j1349_share({pressure_hpa, air_c(rows[0][i])})));
    }
}

TEST_CASE("The page's table of ISO 3046-1 is what the program reckons with") {
    using enum Iso3046Engine;
    const std::map<std::string, Iso3046Engine> engines = {{"iso_3046_1_petrol", petrol},
                                                          {"iso_3046_1_gas", gas},
                                                          {"iso_3046_1_diesel", diesel},
                                                          {"iso_3046_1_diesel_hot", diesel_hot},
                                                          {"iso_3046_1_turbo_diesel", turbo_diesel}};
    const auto rows = table("formula", "Row");
    REQUIRE(rows.size() == engines.size() + 1);
    for (std::size_t r = 1; r < rows.size(); ++r) {
        INFO(rows[r][0]);
        REQUIRE(rows[r].size() == rows[0].size());
        for (std::size_t i = 5; i < rows[0].size(); ++i) {
            const double inlet_c = number(rows[0][i].substr(rows[0][i].find(',') + 1));
            const InletAir air{standard_pressure_hpa(number(rows[0][i])), inlet_c};
            CHECK(rows[r][i] ==
                  percent(iso_3046_share(engines.at(rows[r][0]), air, {.charge_coolant_c = inlet_c})));
        }
    }
}

TEST_CASE("The page's time constants of a breaker's late edge are what the program reckons with") {
    const auto rows = table("Rating", "100 %");
    REQUIRE(rows.size() == 4);
    for (std::size_t r = 1; r < rows.size(); ++r) {
        const auto last_word = rows[r][0].find_first_of("0123456789", rows[r][0].find("to"));
        const double rating_a = number(rows[r][0].substr(last_word));
        INFO(rows[r][0]);
        CHECK(number(rows[r].back()) == Approx(seconds(breaker_late_edge(rating_a).tau)).margin(0.05));
    }
}
