// Start currents from nameplates, against the tables of the NEC.
#include "rules/estimate.h"

#include "tests/support/catch.h"

using namespace ampmarshal::rules;

TEST_CASE("A code letter gives the range of NEC table 430.7(B)") {
    // kVA per horsepower, so that 1 hp at 1000 V draws the table's figures in amperes.
    struct Row {
        char letter;
        double low, high;
    };
    const Row rows[] = {{'A', 0, 3.14},     {'B', 3.15, 3.54},  {'C', 3.55, 3.99},  {'D', 4.0, 4.49},
                        {'E', 4.5, 4.99},   {'F', 5.0, 5.59},   {'G', 5.6, 6.29},   {'H', 6.3, 7.09},
                        {'J', 7.1, 7.99},   {'K', 8.0, 8.99},   {'L', 9.0, 9.99},   {'M', 10.0, 11.19},
                        {'N', 11.2, 12.49}, {'P', 12.5, 13.99}, {'R', 14.0, 15.99}, {'S', 16.0, 17.99},
                        {'T', 18.0, 19.99}, {'U', 20.0, 22.39}};
    for (const Row& row : rows) {
        INFO(row.letter);
        const auto estimate = start_from_code_letter(row.letter, 1, 1000);
        REQUIRE(estimate);
        CHECK(estimate->low_a == Approx(row.low));
        CHECK(estimate->high_a == Approx(row.high));
        CHECK(estimate->start_a == estimate->high_a);
    }
}

TEST_CASE("A motor of 1 hp at 115 V with code letter K starts with 69.6 to 78.2 A") {
    const auto estimate = start_from_code_letter('K', 1, 115);
    REQUIRE(estimate);
    CHECK(estimate->low_a == Approx(69.6).margin(0.05));
    CHECK(estimate->high_a == Approx(78.2).margin(0.05));
    CHECK(estimate->basis == "code letter K, 1 hp at 115 V");
}

TEST_CASE("Letters that the table does not use, or that have no upper end, give no estimate") {
    for (const char letter : {'I', 'O', 'Q', 'V', 'W', 'k', ' '})
        CHECK_FALSE(start_from_code_letter(letter, 1, 115));
}

TEST_CASE("Horsepower gives six times the full-load current of NEC table 430.248") {
    // NEC 430.248 and, from memory, 430.251(A), which is six times as much.
    struct Row {
        double horsepower, at_115_v_a, at_230_v_a;
    };
    const Row rows[] = {{1.0 / 6, 4.4, 2.2}, {0.25, 5.8, 2.9},  {1.0 / 3, 7.2, 3.6},
                        {0.5, 9.8, 4.9},     {0.75, 13.8, 6.9}, {1, 16, 8},
                        {1.5, 20, 10},       {2, 24, 12},       {3, 34, 17}};
    for (const Row& row : rows) {
        INFO(row.horsepower << " hp");
        CHECK(start_from_horsepower(row.horsepower, 115).value().start_a == Approx(6 * row.at_115_v_a));
        CHECK(start_from_horsepower(row.horsepower, 230).value().start_a == Approx(6 * row.at_230_v_a));
    }
    CHECK(start_from_horsepower(0.5, 115)->start_a == Approx(58.8));
    CHECK(start_from_horsepower(1, 230)->start_a == Approx(48));
}

TEST_CASE("Between two sizes the larger holds, and beyond the table there is no estimate") {
    CHECK(start_from_horsepower(0.6, 115)->start_a == start_from_horsepower(0.75, 115)->start_a);
    CHECK(start_from_horsepower(0.333, 115)->start_a == start_from_horsepower(1.0 / 3, 115)->start_a);
    CHECK_FALSE(start_from_horsepower(5, 115));
    CHECK_FALSE(start_from_horsepower(0, 115));
    CHECK_FALSE(start_from_horsepower(-1, 115));
}

TEST_CASE("A rated-load current gives the multiple that is stated, and the range that is usual") {
    // Common practice, no source: three to eight times.
    const Estimate estimate = start_from_rated_load(11.2, 5);
    CHECK(estimate.start_a == Approx(56));
    CHECK(estimate.low_a == Approx(33.6));
    CHECK(estimate.high_a == Approx(89.6));
    CHECK(estimate.basis == "5 times the rated-load current of 11.2 A");
    CHECK(start_from_rated_load(10, 2).low_a == Approx(20));
    CHECK(start_from_rated_load(10, 9).high_a == Approx(90));
}
