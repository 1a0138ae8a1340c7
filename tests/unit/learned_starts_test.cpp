// What is learned of a stage from its starts: with which figures it is decided, and when it has departed from
// its own past. Currents are invented; that a compressor starts with three to eight times its running current
// in 0.1 to 0.5 s is common practice, no source.
#include "rules/learned_starts.h"

#include <cmath>
#include <limits>
#include <type_traits>

#include "tests/support/catch.h"

using namespace ampmarshal::rules;
using namespace std::chrono_literals;

namespace {

constexpr SourceIndex pedestal = 0;
constexpr SourceIndex generator = 1;

const Stage compressor{"compressor", 48, 500ms, 11, 20s};

SeenStart start(double peak_a, Duration lasted = 300ms, double running_a = 10) {
    return {.peak_a = peak_a,
            .running_a = running_a,
            .lasted = lasted,
            .period = 50ms,
            .saw_peak = true,
            .line_share = 1.0,
            .source = pedestal};
}

void learn(StageProfile& profile, const SeenStart& start, int times) {
    for (int i = 0; i < times; ++i)
        profile.learn(start);
}

/// Twenty starts make a past; their peaks differ by an ampere or two to either side.
StageProfile with_a_past(double peak_a = 31) {
    StageProfile profile(compressor);
    for (int i = 0; i < 20; ++i)
        profile.learn(start(peak_a + i % 5 - 2));
    return profile;
}

double start_a(const StageProfile& profile) {
    return profile.believed(pedestal).start_a;
}

Load rear() {
    return {.id = "ac-rear",
            .name = "Rear air conditioner",
            .legs = LegSet(Leg::l1),
            .rank = 2,
            .control = Control::permitted,
            .stages = {{"fan", 4.5, 400ms, 2, 5s}, compressor}};
}

}  // namespace

TEST_CASE("a meter sees a peak if it holds peaks, or reads three times within the start") {
    CHECK(sees_peak(false, 100ms, 300ms));
    CHECK_FALSE(sees_peak(false, 101ms, 300ms));
    CHECK(sees_peak(true, 5s, 300ms));
}

TEST_CASE("a profile owns nothing, so nothing it does can allocate") {
    CHECK(std::is_trivially_copyable_v<StageProfile>);
    CHECK(sizeof(StageProfile) <= 2048);
}

TEST_CASE("before twenty starts were seen the worse of what is configured and what was seen counts") {
    StageProfile profile(compressor);
    CHECK(start_a(profile) == 48);
    learn(profile, start(30), 19);
    CHECK(start_a(profile) == 48);
    profile.learn(start(52, 700ms, 12));
    const StageFigures figures = profile.believed(pedestal);
    CHECK(figures.start_a == 52);
    CHECK(figures.start_window == 650ms);  // it may have been shorter by one reading of the meter
    CHECK(figures.running_a == 12);
}

TEST_CASE("twenty starts that were seen whole lower a start current that is configured too high") {
    StageProfile profile(compressor);
    learn(profile, start(29), 19);
    CHECK(start_a(profile) == 48);
    SECTION("to a quarter above the worst, at the highest voltage of the mains") {
        profile.learn(start(30));
        CHECK(start_a(profile) == Approx(1.25 * 30 * 126 / 120));
    }
    SECTION("a start on a low line would have been higher on a better one") {
        SeenStart low = start(30);
        low.line_share = 0.95;
        profile.learn(low);
        CHECK(start_a(profile) == Approx(1.25 * 30 * 1.05 / 0.95));
    }
    SECTION("a start at a voltage nobody knows is taken to be the lowest a motor must start at") {
        SeenStart unknown = start(30);
        unknown.line_share.reset();
        profile.learn(unknown);
        CHECK(start_a(profile) == Approx(1.25 * 30 * 1.05 / 0.9));
    }
    SECTION("never to less than half of what is configured") {
        learn(profile, start(14), 20);
        CHECK(start_a(profile) == 24);
    }
    SECTION("never below a start that was seen since, however long ago") {
        profile.learn(start(29));
        profile.learn(start(39));
        learn(profile, start(29), 20);
        CHECK(start_a(profile) == Approx(39 * 1.05));
    }
    SECTION("never to more than what is configured") {
        profile.learn(start(44));
        CHECK(start_a(profile) == 48);
    }
    SECTION("not by a start whose peak the meter could not see") {
        SeenStart blind = start(20);
        blind.saw_peak = false;
        profile.learn(blind);
        CHECK(start_a(profile) == 48);
        learn(profile, start(29), 19);
        CHECK(start_a(profile) == 48);
        profile.learn(start(29));
        CHECK(start_a(profile) < 48);
    }
    SECTION("not by starts on another source, nor while the source is not known") {
        profile.learn(start(29));
        CHECK(start_a(profile) < 48);
        CHECK(profile.believed(generator).start_a == 48);
        CHECK(profile.believed(std::nullopt).start_a == 48);
        SeenStart elsewhere = start(29);
        elsewhere.source = generator;
        profile.learn(elsewhere);
        CHECK(start_a(profile) == 48);
    }
}

TEST_CASE("one start above what was decided with counts at once, until twenty others have followed") {
    StageProfile profile(compressor);
    learn(profile, start(29), 20);
    CHECK(start_a(profile) < 40);
    profile.learn(start(50));
    CHECK(start_a(profile) == 50);
    learn(profile, start(29), 19);
    CHECK(start_a(profile) == 50);
    profile.learn(start(29));
    CHECK(start_a(profile) == 48);
}

TEST_CASE("running current and start window are never lowered, and a window at most doubled") {
    StageProfile profile(compressor);
    learn(profile, start(30, 100ms, 6), 20);
    CHECK(profile.believed(pedestal).running_a == 11);
    CHECK(profile.believed(pedestal).start_window == 500ms);
    profile.learn(start(30, 20s, 6));
    CHECK(profile.believed(pedestal).start_window == 1s);
}

TEST_CASE("a start is never believed to take less than what runs afterwards") {
    StageProfile profile(Stage{"element", 12, 200ms, 12, 1s});
    SeenStart slow = start(11, 0s, 13);
    slow.saw_peak = false;
    profile.learn(slow);
    CHECK(profile.believed(pedestal).start_a == 13);
}

TEST_CASE("what is usual is the middle of the last twenty starts, what is worst their highest") {
    StageProfile profile(compressor);
    CHECK_FALSE(profile.usual(Figure::peak));
    CHECK(profile.worst().start_a == 0);
    profile.learn(start(90));
    for (int i = 0; i < 20; ++i)
        profile.learn(start(30 + i, 200ms + i * 10ms, 9 + 0.1 * i));
    CHECK(profile.usual(Figure::peak)->median == Approx(39.5));
    CHECK(profile.usual(Figure::peak)->scatter == Approx(1.4826 * 5).epsilon(1e-4));
    CHECK(profile.usual(Figure::duration)->median == Approx(0.295));
    CHECK(profile.usual(Figure::running)->median == Approx(9.95));
    CHECK(profile.worst().start_a == 49);
    CHECK(profile.worst().start_window == 390ms);
    CHECK(profile.worst().running_a == Approx(10.9));
    CHECK(profile.memory().seen == 21);
    CHECK(profile.memory().count == 20);
}

TEST_CASE("a start that has grown by more than a third is told after five in a row, with its figures") {
    StageProfile profile = with_a_past();
    learn(profile, start(44), 4);
    CHECK_FALSE(profile.departure());
    profile.learn(start(44));
    REQUIRE(profile.departure());
    CHECK(*profile.departure() == Departure{Figure::peak, 31, 44});
    CHECK(sentence(*profile.departure(), rear(), 1) ==
          "its compressor start has grown from 31 A to 44 A: capacitor, soft starter or low "
          "voltage?");
    SECTION("and it stays told until five in a row are back") {
        learn(profile, start(33), 4);
        CHECK(profile.departure());
        learn(profile, start(38), 5);  // neither here nor there
        CHECK(profile.departure());
        learn(profile, start(33), 5);
        CHECK_FALSE(profile.departure());
    }
}

TEST_CASE("a start that grows a little every week is told as well, since its past does not follow") {
    StageProfile profile = with_a_past();
    int weeks = 0;
    for (double peak_a = 31; !profile.departure(); ++weeks) {
        REQUIRE(peak_a < 60);
        learn(profile, start(peak_a), 50);
        CHECK_FALSE((profile.departure() && peak_a < 31 * 4.0 / 3));
        peak_a += 0.3;
    }
    CHECK(weeks == Approx(31.0 / 3 / 0.3).margin(3));
}

TEST_CASE("single odd starts, and a scatter that was always there, are no departure") {
    StageProfile profile = with_a_past();
    for (int i = 0; i < 200; ++i) {
        profile.learn(start(i % 5 == 4 ? 31 : 60));  // four of five
        CHECK_FALSE(profile.departure());
    }
    StageProfile wild(compressor);
    for (int i = 0; i < 20; ++i)
        wild.learn(start(i % 2 == 0 ? 20 : 40));
    for (int i = 0; i < 20; ++i) {
        wild.learn(start(48));  // far above four thirds of the middle, but not beyond its scatter
        CHECK_FALSE(wild.departure());
    }
}

TEST_CASE("a start that takes twice as long is told, unless the meter may have misread it") {
    StageProfile profile = with_a_past();
    learn(profile, start(31, 590ms), 5);
    CHECK_FALSE(profile.departure());
    learn(profile, start(31, 650ms), 5);
    REQUIRE(profile.departure());
    CHECK(*profile.departure() == Departure{Figure::duration, 0.3, 0.65});
    CHECK(sentence(*profile.departure(), rear(), 1) ==
          "its compressor start took 0.3 s and takes 0.65 s now: capacitor, low voltage "
          "or too short a rest?");

    StageProfile slow(compressor);
    SeenStart coarse = start(31, 500ms);
    coarse.period = 500ms;
    learn(slow, coarse, 20);
    coarse.lasted = 1500ms;
    learn(slow, coarse, 5);
    CHECK_FALSE(slow.departure());
    coarse.lasted = 2s;
    learn(slow, coarse, 5);
    CHECK(slow.departure());
}

TEST_CASE("a running current that has grown by a third is told") {
    StageProfile profile = with_a_past();
    learn(profile, start(31, 300ms, 13), 5);  // a hot day
    CHECK_FALSE(profile.departure());
    learn(profile, start(31, 300ms, 13.5), 5);
    REQUIRE(profile.departure());
    Load one_stage = rear();
    one_stage.stages = {compressor};
    CHECK(sentence(*profile.departure(), one_stage, 0) ==
          "its running current has grown from 10 A to 13.5 A: dirty coil, bearing or low "
          "voltage?");
}

TEST_CASE("another voltage alone is no departure, and a peak that could not be seen says nothing") {
    StageProfile profile(compressor);
    SeenStart weak = start(27);
    weak.line_share = 0.85;
    learn(profile, weak, 20);
    SeenStart strong = start(27 / 0.85 * 1.05 * 1.2);  // a fifth more than the voltage explains
    strong.line_share = 1.05;
    learn(profile, strong, 5);
    CHECK_FALSE(profile.departure());

    StageProfile blind(compressor);
    SeenStart unseen = start(31);
    unseen.saw_peak = false;
    learn(blind, unseen, 20);
    learn(blind, start(60), 5);
    CHECK_FALSE(blind.departure());

    StageProfile seeing = with_a_past();
    unseen.peak_a = 60;
    learn(seeing, unseen, 5);
    CHECK_FALSE(seeing.departure());
}

TEST_CASE("a voltage that no motor is expected to start at explains no more than one that some are") {
    StageProfile profile = with_a_past(30);
    SeenStart odd = start(46);
    SECTION("high: what is beyond a tenth is not laid to it") {
        odd.line_share = 1.3;
        learn(profile, odd, 5);
        CHECK(profile.departure());
    }
    SECTION("low: a usual peak is not made a high one") {
        odd.peak_a = 30;
        odd.line_share = 0.6;
        learn(profile, odd, 5);
        CHECK_FALSE(profile.departure());
    }
}

TEST_CASE("what was changed for the better is a new past: a soft starter that fails later is told") {
    StageProfile profile = with_a_past(46);
    learn(profile, start(14, 300ms), 20);  // a soft starter was fitted
    CHECK_FALSE(profile.departure());
    learn(profile, start(30), 5);  // less than the compressor took without it
    REQUIRE(profile.departure());
    CHECK(*profile.departure() == Departure{Figure::peak, 14, 30});
    SECTION("and what was seen before the change no longer keeps its start current up") {
        StageProfile softer = with_a_past(46);
        learn(softer, start(20), 20);
        CHECK(start_a(softer) == Approx(1.25 * 20 * 1.05));
    }
    SECTION("and a repair that nobody has told of ends the alarm") {
        learn(profile, start(14), 5);
        CHECK_FALSE(profile.departure());
    }
}

TEST_CASE("a load that does not start hard never departs: a charger draws what its battery asks for") {
    StageProfile profile(Stage{"charger", 7.4, 200ms, 7.4, 1s});
    learn(profile, start(2, 100ms, 2), 20);
    learn(profile, start(7, 100ms, 7), 10);
    CHECK_FALSE(profile.departure());
    CHECK(profile.memory().count == 20);
}

TEST_CASE("a reset forgets everything") {
    StageProfile profile = with_a_past();
    learn(profile, start(60, 2s, 20), 5);
    REQUIRE(profile.departure());
    profile.reset();
    CHECK_FALSE(profile.departure());
    CHECK_FALSE(profile.usual(Figure::peak));
    CHECK(start_a(profile) == 48);
    CHECK(profile.memory().seen == 0);
}

TEST_CASE("what no motor does is passed over") {
    const double nan = std::numeric_limits<double>::quiet_NaN();
    StageProfile profile(compressor);
    for (double wrong : {nan, 0.0, -3.0, 2000.0, std::numeric_limits<double>::infinity()}) {
        profile.learn(start(wrong));
        profile.learn(start(30, 300ms, wrong));
        SeenStart at = start(30);
        at.line_share = wrong;
        profile.learn(at);
    }
    for (Duration wrong : {Duration(-1us), Duration(61s)})
        profile.learn(start(30, wrong));
    SeenStart by = start(30);
    by.period = 0s;
    profile.learn(by);
    CHECK(profile.memory().seen == 0);
}

TEST_CASE("a profile goes on from its memory as if nothing had happened") {
    StageProfile before = with_a_past();
    learn(before, start(44), 4);
    StageProfile after(compressor);
    REQUIRE_FALSE(after.restore(before.memory()));
    CHECK(start_a(after) == start_a(before));
    for (StageProfile* profile : {&before, &after}) {
        CHECK_FALSE(profile->departure());
        profile->learn(start(44));
        CHECK(*profile->departure() == Departure{Figure::peak, 31, 44});
    }
    StageProfile told(compressor);
    REQUIRE_FALSE(told.restore(after.memory()));
    CHECK(told.departure());
    CHECK_FALSE(told.restore(StageProfile(compressor).memory()));
    CHECK_FALSE(told.departure());
}

TEST_CASE("a memory that cannot be true is refused with the reason, and nothing of it is taken") {
    const StageProfile::Memory good = with_a_past().memory();
    StageProfile::Memory wrong = good;
    std::string says;
    SECTION("more remembered than there is room for") {
        wrong.count = 21;
        says = "more starts are remembered than were seen";
    }
    SECTION("more remembered than seen") {
        wrong.seen = 19;
        says = "more starts are remembered than were seen";
    }
    SECTION("a start that cannot have been one") {
        wrong.last[2].peak_a = std::numeric_limits<double>::quiet_NaN();
        says = "start 3 of 20 cannot have been one";
    }
    SECTION("a highest start that cannot have been one") {
        wrong.highest_a = GENERATE(-1.0, 1e9, std::numeric_limits<double>::quiet_NaN());
        says = "its highest start cannot have been one";
    }
    SECTION("a past that cannot have been") {
        wrong.past[0] = {GENERATE(0.0, -1.0, 1e9, std::numeric_limits<double>::quiet_NaN()), 1};
        says = "the past it is compared with cannot have been";
    }
    SECTION("a scatter that cannot have been") {
        wrong.past[1] = {0.3, GENERATE(-1.0, 1e9, std::numeric_limits<double>::quiet_NaN())};
        says = "the past it is compared with cannot have been";
    }
    SECTION("a departure from nothing") {
        wrong.past[2].reset();
        wrong.departed[2] = true;
        says = "it is said to have departed from a past that is not there";
    }
    SECTION("a departure of too few starts") {
        wrong.count = 4;
        wrong.departed[0] = true;
        says = "it is said to have departed from a past that is not there";
    }
    StageProfile profile(compressor);
    const auto fault = profile.restore(wrong);
    REQUIRE(fault);
    CHECK(*fault == says + "; forget what was learned of this stage");
    CHECK(profile.memory().count == 0);
}
