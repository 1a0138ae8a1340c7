// What a person reads of a reason, and what a program does.
#include <set>

#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

Rig rig_with_two_sources() {
    return rig_of({breaker(50, Feed::two_legs), breaker(15)}, {resistive("heater", 1, 10)}, LegSet::both());
}

std::string said(const Reason& reason, std::optional<SourceIndex> source = 0) {
    return sentence(reason, rig_with_two_sources(), source, Instant{});
}

}  // namespace

TEST_CASE("every reason has a sentence and a word of its own") {
    std::set<std::string> sentences;
    std::set<std::string> words;
    const auto count = static_cast<std::size_t>(ReasonKind::supply_lost) + 1;
    for (std::size_t i = 0; i < count; ++i) {
        const auto kind = static_cast<ReasonKind>(i);
        INFO(word(kind));
        const std::string sentence = said({.kind = kind});
        CHECK(sentence.empty() == (kind == ReasonKind::none));
        CHECK(sentence != "shed");  // of what, or why?
        CHECK(sentence != "waits");
        sentences.insert(sentence);
        words.insert(word(kind));
    }
    CHECK(sentences.size() == count);
    CHECK(words.size() == count);
}

TEST_CASE("a reason names the limit, the leg and the load that it is about") {
    CHECK(said({.kind = ReasonKind::shed_ceiling, .limit = 1, .needed_a = 151.2}) ==
          "shed: 151.2 A is over the ceiling of the breaker, L2");
    CHECK(said({.kind = ReasonKind::shed_voltage, .leg = Leg::l2, .line_v = 98.4}) ==
          "shed: L2 is down to 98 V");
    CHECK(said({.kind = ReasonKind::another_start, .other = 0}) == "waits while heater starts");
}

TEST_CASE("a reason that knows no limit, leg or load is a sentence all the same") {
    const std::string of_the_source = "shed: the source would trip soon at 31.0 A";
    const Reason hot{.kind = ReasonKind::shed_heat, .limit = 1, .needed_a = 31};
    CHECK(said({.kind = ReasonKind::shed_heat, .needed_a = 31}) == of_the_source);
    CHECK(said(hot, std::nullopt) == of_the_source);
    CHECK(said(hot, 1) == of_the_source);  // it was about a source that has more limits than this one
    CHECK(said({.kind = ReasonKind::shed_voltage, .line_v = 98}) == "shed: the line is down to 98 V");
    CHECK(said({.kind = ReasonKind::another_start}) == "waits while another load starts");
}

TEST_CASE("a wait is told in round figures, and not at all once it is over") {
    const auto rests = [](Duration left) {
        return said({.kind = ReasonKind::rests, .until = Instant{} + left});
    };
    const std::string sentence = "rests before its next start";
    CHECK(rests(121s) == sentence + " for another 3 min");
    CHECK(rests(41s) == sentence + " for another 50 s");
    CHECK(rests(2s) == sentence + " for another 10 s");
    CHECK(rests(0s) == sentence);
    CHECK(rests(-5s) == sentence);
}

TEST_CASE("a reason is a new one as soon as anything that it tells is new") {
    const Reason told{.kind = ReasonKind::voltage_too_low,
                      .limit = 1,
                      .other = 2,
                      .needed_a = 3,
                      .available_a = 4,
                      .leg = Leg::l1,
                      .line_v = 5,
                      .minimum_v = 6,
                      .until = Instant{7s}};
    CHECK(told == Reason(told));
    std::vector<Reason> others(9, told);
    others[0].kind = ReasonKind::shed_voltage;
    others[1].limit = 0;
    others[2].other.reset();
    others[3].needed_a = 0;
    others[4].available_a = 0;
    others[5].leg = Leg::l2;
    others[6].line_v = 0;
    others[7].minimum_v = 0;
    others[8].until.reset();
    for (const Reason& other : others)
        CHECK(told != other);
}

TEST_CASE("a departure is a new one as soon as its figure or either median is new") {
    const Departure told{Figure::peak, 30, 44};
    CHECK(told == Departure(told));
    CHECK(told != Departure{Figure::running, 30, 44});
    CHECK(told != Departure{Figure::peak, 31, 44});
    CHECK(told != Departure{Figure::peak, 30, 45});
}

TEST_CASE("seconds become the nearest whole microseconds on either side of zero") {
    CHECK(from_seconds(1.6e-6) == 2us);
    CHECK(from_seconds(-1.6e-6) == -2us);
    CHECK(from_seconds(0) == 0us);
}
