// What a step may have been, asked of a few hypotheses that are added by hand: answers that no story through
// the Marshal leads to without many a coincidence. Currents are invented.
#include "rules/hypotheses.h"

#include <initializer_list>

#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

Hypotheses these(std::initializer_list<Hypothesis> some) {
    Hypotheses all;
    for (const Hypothesis& one : some)
        all.add(one);
    return all;
}

Hypothesis start(LoadIndex load, double rise_a, std::size_t settled_after = 1) {
    return {load, settled_after, rise_a, false};
}

Hypothesis commanded(Hypothesis h) {
    h.in_flight = true;
    return h;
}

Hypothesis with_peak_off(Hypothesis h, double peak_off) {
    h.peak_off = peak_off;
    return h;
}

Hypothesis stop(LoadIndex load, double fall_a) {
    return {load, 0, -fall_a, false};
}

/// A leg that was at 20 A, and has fallen by 2 A after it had risen by so much.
Step after_rising_by(double rose_a) {
    return {Instant{}, Instant{}, Instant{}, 20, 20 + rose_a, 18};
}

}  // namespace

TEST_CASE("of a stop alone and one beside a commanded start, the one with the worse next start is taken") {
    const double alone_next_a = GENERATE(40, 14);
    CAPTURE(alone_next_a);
    const std::vector<Load> loads{motor("alone", 1, alone_next_a, 10), resistive("beside", 2, 15),
                                  resistive("commanded", 3, 5)};
    const Hypotheses all = these({stop(0, 10), stop(1, 15), commanded(start(2, 5))});
    const Hypothesis* taken = all.safest_stop(all.begin(), -10, loads);
    REQUIRE(taken);
    CHECK(taken->load == (alone_next_a > 15 ? 0 : 1));
}

TEST_CASE("a stop beside a start is none where the leg has not risen as far as that start would") {
    const std::vector<Load> loads{resistive("stops", 1, 10), resistive("starts", 2, 8)};
    const Hypotheses all = these({stop(0, 10), start(1, 8)});
    CHECK(all.stop_beside_rise(-2, after_rising_by(12), loads) == all.begin());
    CHECK(all.stop_beside_rise(-2, after_rising_by(4), loads) == nullptr);
}

TEST_CASE(
    "a stop beside a start is none where the load's own start, or one of another size, is all there is") {
    const std::vector<Load> loads{resistive("stops", 1, 10), resistive("starts", 2, 8)};
    const auto found_beside = [&](const Hypothesis& start) {
        return these({stop(0, 10), start}).stop_beside_rise(-2, after_rising_by(12), loads) != nullptr;
    };
    CHECK(found_beside(start(1, 8)));
    CHECK_FALSE(found_beside(start(0, 8)));
    CHECK_FALSE(found_beside(start(1, 5)));
}

TEST_CASE("a peak that is another stage's of the same load is no other load's") {
    const auto better = [](const Hypothesis& other) {
        const Hypotheses all = these({with_peak_off(commanded(start(0, 10)), 2), other});
        return all.better_by_peak(*all.begin(), 10) != nullptr;
    };
    CHECK(better(with_peak_off(start(1, 10), 0)));
    CHECK_FALSE(better(with_peak_off(start(0, 10, 2), 0)));
}

TEST_CASE(
    "a peak that is one other load's by either of two stages is that load's, but not one of two loads'") {
    const LoadIndex second = GENERATE(LoadIndex{1}, LoadIndex{2});
    CAPTURE(second);
    const Hypotheses all = these({with_peak_off(commanded(start(0, 10)), 2), with_peak_off(start(1, 10), 0),
                                  with_peak_off(start(second, 10, 2), 0)});
    const Hypothesis* better = all.better_by_peak(*all.begin(), 10);
    CHECK((better != nullptr) == (second == 1));
    if (better) CHECK(better->load == 1);
}

TEST_CASE("of two softer starts it is the closer one, if it is clearly closer") {
    const std::vector<Load> loads{motor("commanded", 1, 40, 10), resistive("soft", 2, 11.2),
                                  resistive("as soft", 3, 12)};
    const double second_a = GENERATE(12, 11.3);
    CAPTURE(second_a);
    const Hypotheses all = these({commanded(start(0, 10)), start(1, 11.2), start(2, second_a)});
    const Hypothesis* softer = all.softer(*all.begin(), 12, loads);
    REQUIRE(softer);
    CHECK(softer->load == (second_a == 12 ? 2 : 1));
}

TEST_CASE("of a start that lacks its peak it is the softer one only if that peak comes clearly closer") {
    const std::vector<Load> loads{motor("commanded", 1, 40, 10), resistive("soft", 2, 11)};
    const double peak_off = GENERATE(0.1, 0.7);
    CAPTURE(peak_off);
    const Hypotheses all =
        these({with_peak_off(commanded(start(0, 10)), 0.8), with_peak_off(start(1, 11), peak_off)});
    CHECK((all.softer(*all.begin(), 10, loads) != nullptr) == (peak_off == 0.1));
}

TEST_CASE(
    "a load has gone through all its stages where only a part of them beside another's start fits worse") {
    const double seen_a = GENERATE(12, 10.5);
    CAPTURE(seen_a);
    const Hypotheses all = these({start(0, 2), start(0, 12, 2), start(1, 8.5)});
    CHECK(all.only_part(all.begin()[1], seen_a) == (seen_a == 12 ? nullptr : all.begin()));
}

TEST_CASE("a load has gone through all its stages where only a stop beside a part of them fits better") {
    const auto part = [](const Hypothesis& beside) {
        const Hypotheses all = these({start(0, 11), start(0, 14, 2), beside});
        return all.only_part(all.begin()[1], 11 + beside.rise_a) != nullptr;
    };
    CHECK(part(start(1, 1.5)));
    CHECK_FALSE(part(stop(1, 0.5)));
}

TEST_CASE(
    "the first stages of a start come alone if they are near enough, and the peak is none too high for "
    "them") {
    const auto alone = [](Hypothesis fan, double seen_a) {
        const Hypotheses all = these({fan, start(0, 13, 2), stop(1, 10)});
        return all.part_alone(all.begin()[1], seen_a, 1) != nullptr;
    };
    Hypothesis too_high = start(0, 2);
    too_high.alone = false;
    CHECK(alone(start(0, 2), 2.9));
    CHECK_FALSE(alone(start(0, 2), 3.1));
    CHECK_FALSE(alone(too_high, 2.9));
}

TEST_CASE("all of a load may have stopped beside a start, but not where its last stage alone is closer") {
    const Hypothesis last_stage{0, 1, -10, false};
    const Hypotheses starts = these({start(1, 3)});
    CHECK(starts.make_up_for(12, last_stage, -9.4));
    CHECK_FALSE(starts.make_up_for(12, last_stage, -10));
    CHECK_FALSE(starts.make_up_for(12, last_stage, -12));
}

TEST_CASE("a commanded start and another's stop make a step only where a meter is slow") {
    const Hypotheses all = these({commanded(start(0, 10)), stop(1, 4)});
    CHECK(all.two_make(6, true));
    CHECK_FALSE(all.two_make(6, false));
    CHECK(these({commanded(start(0, 10)), start(1, 4)}).two_make(14, false));
}

TEST_CASE("two starts beside one that was expected make what three loads draw") {
    const Hypotheses all = these({commanded(start(0, 9.6)), start(1, 9), start(2, 10.8)});
    CHECK(all.three_make(29.4, 3));
    CHECK_FALSE(all.three_make(29.4, 0));  // of the one in question
    CHECK_FALSE(all.three_make(50, 3));
    CHECK_FALSE(these({start(0, 9.6), start(1, 9), start(2, 10.8)}).three_make(29.4, 3));
    CHECK_FALSE(these({commanded(stop(0, 9)), start(1, 10), start(2, 20)}).three_make(21, 3));
}

TEST_CASE("several that were told to stop make what all of them draw, whoever else could stop or start") {
    const Hypothesis told = commanded(stop(0, 8));
    const Hypotheses all = these({told, commanded(stop(1, 9.6)), stop(2, 5), commanded(start(3, 4))});
    CHECK(all.told_to_stop_make(-17.6));
    CHECK_FALSE(all.told_to_stop_make(-8));
    CHECK_FALSE(all.told_to_stop_make(-22.6));
    CHECK_FALSE(all.told_to_stop_make(-13.6));
    CHECK_FALSE(these({told}).told_to_stop_make(-8));  // of one it is known otherwise
}

TEST_CASE("a load that was told to stop is not hidden by a start of its own") {
    const LoadIndex starts = GENERATE(LoadIndex{0}, LoadIndex{1});
    const Hypotheses all = these({commanded(stop(0, 5)), start(starts, 12)});
    CHECK(all.hidden_by_start(*all.begin(), 7) == (starts == 1));
}

TEST_CASE("a start whose peak was too high for the load is no rival of another") {
    const bool alone = GENERATE(false, true);
    Hypothesis other = start(1, 10);
    other.alone = alone;
    const Hypotheses all = these({start(0, 10), other});
    CHECK(all.rivals(*all.begin(), 10) == alone);
}

TEST_CASE("a commanded start that may have tapered off is a rival of a smaller one, and of no larger one") {
    const auto rivals = [](double seen_a, const Hypothesis& other) {
        const Hypotheses all = these({start(0, seen_a), other});
        return all.rivals(*all.begin(), seen_a);
    };
    CHECK(rivals(4, commanded(start(1, 10))));
    CHECK_FALSE(rivals(20, commanded(start(1, 10))));
    CHECK_FALSE(rivals(4, start(1, 10)));                // nobody commanded it
    CHECK_FALSE(rivals(4, commanded(start(1, 10, 2))));  // a second stage does not taper
}

TEST_CASE("a stranger's start may be that of two together, but no start beside a stop") {
    const Hypothesis stranger = start(2, 10.5);
    const auto make = [&](const Hypothesis& told, const Hypothesis& beside) {
        return these({commanded(told), beside, stranger}).commanded_may_make(stranger, 10);
    };
    CHECK(make(start(0, 4), start(1, 6)));
    CHECK_FALSE(make(stop(0, 4), start(1, 14)));
    CHECK_FALSE(make(start(0, 25), stop(1, 15)));
}

TEST_CASE("a rival is not missed among the starts and stops of thirty loads") {
    Hypotheses all;
    for (LoadIndex other = 2; other < 30; ++other)
        for (const double rise_a : {-40.0, -50.0, 40.0, 50.0})
            all.add({other, 1, rise_a, false});
    all.add(start(0, 10));
    REQUIRE(all.single(10, false, match_share));
    all.add(start(1, 10.5));
    CHECK_FALSE(all.single(10, false, match_share));
}

TEST_CASE("what is more than can be held is left out, and what was added before it stays") {
    Hypotheses all = these({start(0, 10)});
    for (LoadIndex other = 1; other < 1000; ++other)
        all.add(start(other, 50));
    CHECK(all.end() - all.begin() == 128);
    CHECK(all.single(10, false, match_share) == all.begin());
}
