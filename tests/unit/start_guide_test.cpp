// The guide by itself: a line that the test moves by hand, ten readings a second.
#include "daemon/trials/start_guide.h"

#include <algorithm>
#include <chrono>

#include "tests/support/catch.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using daemon::trials::StartGuide;

namespace {

rules::Load air_conditioner() {
    rules::Load load{.id = "ac",
                     .name = "Air conditioner",
                     .legs = rules::LegSet(rules::Leg::l1),
                     .rank = 1,
                     .control = rules::Control::permitted,
                     .stages = {{"fan", 5, 400ms, 2.5, 5s}, {"compressor", 50, 500ms, 12, 30s}}};
    load.minimum_off = 180s;
    return load;
}

struct Line {
    explicit Line(std::size_t starts = 2, StartGuide::Meter meter = {100ms, 1s, true})
        : guide(air_conditioner(), "bare", starts, meter) {}

    /// This flows for so long; its first reading holds this peak.
    void flows(double current_a, rules::Duration for_ = 3s, double peak_a = 0) {
        for (const auto end = now + for_; now < end;) {
            now += 100ms;
            guide.sample(
                {now, rules::Leg::l1, current_a, std::max(current_a, std::exchange(peak_a, 0.0)), 119.0});
            guide.tick(now);
            for (const auto& sentence : guide.take_words())
                said += sentence + "\n";
        }
    }
    void is_silent(rules::Duration for_) {
        now += for_;
        guide.tick(now);
        for (const auto& sentence : guide.take_words())
            said += sentence + "\n";
    }
    /// A whole start on top of 1 A, and the stop after it.
    void start() {
        flows(3.5, 3s, 6);
        flows(15.5, 3s, 52.5);
        flows(1);
    }
    bool heard(const std::string& words) const { return said.find(words) != std::string::npos; }

    StartGuide guide;
    rules::Instant now{};
    std::string said;
};

}  // namespace

TEST_CASE("A start that the meter sees becomes a trial as a person would write it down") {
    Line line;
    line.flows(1);
    CHECK(line.heard("The line carries 1.0 A at 119.0 V."));
    CHECK(line.heard("Start 1 of 2: leave everything else as it is, and start Air conditioner."));
    line.flows(3.5, 3s, 6);
    CHECK(line.heard("fan runs with 2.5 A; now let compressor come."));
    line.flows(15.5, 3s, 52.5);
    CHECK(line.heard(
        "Start 1: 1.0 A before, 3.5 A just before the highest, 52.5 A at its highest, 15.5 A running."));
    REQUIRE(line.guide.trials().size() == 1);
    const auto& trial = line.guide.trials()[0];
    CHECK(trial.load == "ac");
    CHECK(trial.fitting == "bare");
    CHECK(trial.volts == 119.0);
    CHECK(trial.before_a == Approx(1));
    CHECK(trial.fan_start_a.value() == Approx(6));
    CHECK(trial.fan_running_a.value() == Approx(3.5));
    CHECK(trial.start_a == Approx(52.5));
    CHECK(trial.running_a == Approx(15.5));
    CHECK_FALSE(line.guide.done());
}

TEST_CASE("The next start is asked for once the load has stopped and rested") {
    Line line;
    line.flows(1);
    line.start();
    CHECK(line.heard("Air conditioner has stopped. Let it rest for 3 min."));
    line.flows(1, 170s);
    CHECK_FALSE(line.heard("Start 2 of 2"));
    line.flows(1, 20s);
    CHECK(line.heard("Start 2 of 2"));
    line.start();
    CHECK(line.guide.done());
    CHECK_FALSE(line.heard("before its rest"));
}

TEST_CASE("A start before the rest is over counts, and that is said") {
    Line line;
    line.flows(1);
    line.start();
    line.start();
    CHECK(line.guide.done());
    CHECK(line.heard("It started before its rest of 3 min was over"));
}

TEST_CASE("A load that stops by stages has stopped after the last of them") {
    Line line;
    line.flows(1);
    line.flows(3.5, 3s, 6);
    line.flows(15.5, 3s, 52.5);
    line.flows(3.5);
    CHECK_FALSE(line.heard("has stopped"));
    line.flows(1);
    CHECK(line.heard("has stopped"));
}

TEST_CASE("What is no start of the load is not counted") {
    Line line;
    line.flows(1);
    SECTION("something far larger comes on") {
        line.flows(41);
        CHECK(line.heard("40.0 A came on, which is not what the configuration says of Air conditioner"));
        line.flows(1);
        line.start();
        CHECK(line.guide.trials().size() == 1);
    }
    SECTION("something else comes on between its stages") {
        line.flows(3.5, 3s, 6);
        line.flows(4.6);
        CHECK(line.heard("This start is not counted: 1.1 A came on"));
        line.flows(16.6, 3s, 53);
        CHECK(line.guide.trials().empty());
    }
    SECTION("it stops before its compressor has come") {
        line.flows(3.5, 3s, 6);
        line.flows(1);
        CHECK(line.heard("This start is not counted: something stopped meanwhile"));
        CHECK(line.heard("has stopped"));
        line.flows(1, 200s);
        line.start();
        CHECK(line.guide.trials().size() == 1);
    }
    SECTION("the meter falls silent meanwhile") {
        line.flows(3.5, 3s, 6);
        line.is_silent(5s);
        CHECK(line.heard("This start is not counted: the meter fell silent"));
        line.flows(15.5);
        CHECK(line.guide.trials().empty());
    }
    SECTION("its stages come together where they came apart before") {
        line.start();
        line.flows(15.5, 3s, 52.5);
        CHECK(line.heard("This start is not counted: its stages came at once, unlike before"));
        CHECK(line.guide.trials().size() == 1);
    }
}

TEST_CASE("Stages that always come together are a start without a fan") {
    Line line;
    line.flows(1);
    line.flows(15.5, 3s, 52.5);
    REQUIRE(line.guide.trials().size() == 1);
    CHECK_FALSE(line.guide.trials()[0].fan_running_a);
    CHECK_FALSE(line.guide.trials()[0].fan_start_a);
}

TEST_CASE("A meter that cannot catch a start's peak is warned of") {
    Line line(2, {200ms, 1s, false});
    line.flows(1);
    CHECK(line.heard("The meter reads every 200 ms and tells no peaks between its readings"));
    Line fit;
    fit.flows(1);
    CHECK_FALSE(fit.heard("tells no peaks"));
}
