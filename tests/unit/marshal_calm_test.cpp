// A decision stands while nothing is under way (rules/calm.cpp). That must hide nothing.
#include <algorithm>
#include <random>

#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

/// One stand is left in peace; at the other, after each reading, somebody says something that means nothing:
/// then all is looked at.
struct TwoStands {
    explicit TwoStands(const Rig& rig) : calm(rig), watched(rig) {}

    void link_up() {
        calm.send(LinkChanged{calm.now, true});
        watched.send(LinkChanged{watched.now, true});
    }
    void read(double l1_a) {
        sheds_in_calm = any_off(calm.read(l1_a));
        sheds_watched = any_off(watched.read(l1_a));
        sheds_watched |= any_off(watched.send(BatteryCharge{watched.now, 50}));
    }

    Stand calm;
    Stand watched;
    bool sheds_in_calm = false;
    bool sheds_watched = false;

  private:
    static bool any_off(const std::vector<Switch>& commands) {
        return std::any_of(commands.begin(), commands.end(),
                           [](const Switch& command) { return !command.on && command.changes; });
    }
};

}  // namespace

TEST_CASE("in calm a load is shed at the same reading as if all were looked at each time") {
    int rigs_with_sheds = 0;
    for (unsigned seed = 1; seed <= 300; ++seed) {
        CAPTURE(seed);
        std::mt19937 random(seed);
        const auto between = [&](double low, double high) {
            return std::uniform_real_distribution<double>(low, high)(random);
        };
        std::vector<Load> loads;
        for (int i = 0; i < 4; ++i) {
            loads.push_back(resistive("load-" + std::to_string(i), i + 1, between(1, 8)));
            loads.back().stages[0].start_a = loads.back().stages[0].running_a * between(1, 3);
        }
        const Source source = seed % 3 == 0   ? generator(between(1500, 4000), 4000)
                              : seed % 3 == 1 ? breaker(15)
                                              : breaker(30);
        Rig rig = rig_of({source}, std::move(loads));
        rig.timing.restore_after = 10h;
        TwoStands both(rig);
        both.link_up();
        for (int i = 0; i < 300; ++i)
            both.read(1);
        // Nobody's current creeps up, flickers, and jumps now and then.
        double current_a = 1;
        const double creeps_a = between(0, 0.04);
        const double flickers_a = between(0, 0.3);
        for (int i = 0; i < 1200; ++i) {
            current_a += creeps_a;
            if (between(0, 1) < 0.005) current_a += between(1, 8);
            both.read(std::max(0.0, current_a + between(-flickers_a, flickers_a)));
            CAPTURE(i, current_a);
            REQUIRE(both.sheds_in_calm == both.sheds_watched);
            if (!both.sheds_in_calm) continue;
            ++rigs_with_sheds;
            break;
        }
    }
    CHECK(rigs_with_sheds > 200);
}

TEST_CASE("in calm a meter that falls silent is missed when its time is over") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}));
    s.settle(1, 60s);
    REQUIRE(s.on(0));
    s.wait(1s);
    CHECK_FALSE(s.alert("meter_silent"));
    s.wait(500ms);
    CHECK(s.alert("meter_silent"));
}

TEST_CASE("calm ends with a line that is not well") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}));
    s.voltage_v = 120;
    s.frequency_hz = 60;
    s.settle(1, 10s);
    REQUIRE(s.on(0));
    SECTION("in voltage") {
        s.voltage_v = 100;
        s.read(1, 5s);
        CHECK_FALSE(s.alert("low_voltage"));
        s.read(1, 300ms);
        CHECK(s.alert("low_voltage"));
    }
    SECTION("by little steps") {
        while (*s.voltage_v > 100) {
            *s.voltage_v -= 0.1;
            s.read(1, 100ms);
        }
        s.read(1, 5s);
        CHECK(s.alert("low_voltage"));
    }
    SECTION("in frequency") {
        s.frequency_hz = 56;
        s.read(1, 2900ms);
        CHECK_FALSE(s.alert("low_frequency"));
        s.read(1, 300ms);
        CHECK(s.alert("low_frequency"));
    }
}

TEST_CASE("a wish is looked at at once, and a rest ends on time, in calm") {
    Load load = resistive("heater", 1, 10);
    load.minimum_off = 60s;
    Stand s(rig_of({breaker(30)}, {load}));
    s.send(LinkChanged{s.now, true});
    s.send(DemandChanged{s.now, 0, false});
    s.read(1, 100s);
    REQUIRE_FALSE(s.on(0));
    s.send(DemandChanged{s.now, 0, true});
    CHECK(s.on(0));
    s.read(1, 10s);
    s.send(DemandChanged{s.now, 0, false});
    CHECK_FALSE(s.on(0));
    s.read(1, 1s);
    s.send(DemandChanged{s.now, 0, true});
    s.read(1, 59s);
    CHECK_FALSE(s.on(0));
    s.read(1, 500ms);
    CHECK(s.on(0));
}

TEST_CASE("what is near a limit for long is told although nothing else happens") {
    // 2526 W: 20 A may stay on, of which 8.5 % are left.
    Stand s(rig_of({generator(2526, 5000)}, {resistive("heater", 1, 3)}));
    s.settle(1, 5s);
    s.read(18.3, 28s);
    CHECK_FALSE(s.alert("trip_nears"));
    s.read(18.3, 10s);
    CHECK(s.alert("trip_nears"));
}

TEST_CASE("the first voltage that a meter tells ends the calm, as it may be too low") {
    Stand s(rig_of({breaker(30)}, {resistive("heater", 1, 10)}));
    s.settle(1, 5s);
    s.read(11, 20s);
    REQUIRE(s.state(0) == "running");
    s.send(BatteryCharge{s.now, 50});  // it means nothing, and the calm begins anew
    s.voltage_v = 100;
    s.read(11, 4800ms);
    CHECK(s.on(0));
    s.read(11, 400ms);
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "shed_voltage");
}

TEST_CASE("a neutral that seemed open for a moment is forgotten in time, although all is calm again") {
    Stand s(rig_of({breaker(50, Feed::two_legs)}, {resistive("heater", 1, 10)}, LegSet::both()));
    const auto reads = [&](double l1_v, double l2_v, Duration for_) {
        for (const Instant end = s.now + for_; s.now < end;) {
            s.now += 100ms;
            s.send(MeterSample{s.now, Leg::l1, 1, {}, l1_v});
            s.send(MeterSample{s.now, Leg::l2, 1, {}, l2_v});
        }
    };
    s.send(LinkChanged{s.now, true});
    reads(120, 120, 10s);
    const Duration between = GENERATE(4s, 1s);
    CAPTURE(seconds(between));
    reads(126.5, 113.5, 800ms);
    CHECK_FALSE(s.alert("open_neutral"));
    reads(120, 120, between);  // it runs back at a quarter of its speed
    reads(126.5, 113.5, 800ms);
    CHECK(s.alert("open_neutral") == (between == 1s));
}

TEST_CASE("a generator that runs a little slow, and then too slow, is told of as if nothing had been calm") {
    Stand s(rig_of({generator(3600, 7200)}, {resistive("heater", 1, 10)}));
    s.frequency_hz = 57.6;  // 96 %: no alarm begins, and none that is on would end
    s.settle(1, 20s);
    CHECK_FALSE(s.alert("low_frequency"));
    s.frequency_hz = 56.9;
    s.read(1, 2800ms);
    CHECK_FALSE(s.alert("low_frequency"));
    s.read(1, 400ms);
    CHECK(s.alert("low_frequency"));
}
