// Who gets the room when it is not enough for all: permits that roam, and loads that take turns.
#include <memory>

#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

/// 1250 W: it carries one of two heaters, not both.
Rig one_of_two() {
    Rig rig = rig_of({generator(1250, 2500)}, {resistive("first", 1, 8), resistive("second", 2, 8)});
    for (Load& load : rig.loads)
        load.stages[0].start_a = 12;
    rig.timing.dwell = 100s;
    return rig;
}

}  // namespace

TEST_CASE("a permit that is not used for a dwell goes to a load that waits, and back after another dwell") {
    Stand s(one_of_two());
    s.settle(1, 2s);
    REQUIRE(s.on(0));
    REQUIRE_FALSE(s.on(1));
    s.read(1, 97s);
    CHECK(s.on(0));
    s.read(1, 5s);
    CHECK_FALSE(s.on(0));
    CHECK(s.on(1));
    CHECK(s.why(0) == "shed_unused");
    CHECK(s.says(0).rfind("did not use its permit for a while, gave it to second", 0) == 0);
    s.read(9, 95s);
    CHECK(s.on(1));
    CHECK(s.why(0) == "waits_for_turn");
    CHECK(s.says(0).rfind("waits for its turn while second has the room", 0) == 0);
    s.read_until_command(9, 10s);  // now the first one's rank counts again
    CHECK_FALSE(s.on(1));
    s.read(1, 5s);
    CHECK(s.on(0));
}

TEST_CASE("a load that uses its permit keeps it, whatever waits") {
    Stand s(one_of_two());
    s.settle(1, 2s);
    s.read(9, 1000s);
    CHECK(s.state(0) == "running");
    CHECK_FALSE(s.on(1));
}

TEST_CASE("loads of one rotation take turns of a dwell") {
    Rig rig = one_of_two();
    for (Load& load : rig.loads)
        load.rotation = "rooms";
    SECTION("they do") {
        Stand s(rig);
        s.settle(1, 2s);
        for (int turn = 0; turn < 6; ++turn) {
            const LoadIndex mine = turn % 2 == 0 ? 0 : 1;
            CAPTURE(turn);
            CHECK(s.on(mine));
            CHECK_FALSE(s.on(1 - mine));
            s.read(9, 95s);
            CHECK(s.on(mine));
            s.read_until_command(9, 40s);
            CHECK_FALSE(s.on(mine));
            s.read_until_command(1, 30s);
        }
    }
    SECTION("a minimum on time comes before the turn") {
        rig.loads[0].minimum_on = 300s;
        Stand s(rig);
        s.settle(1, 2s);
        s.read(9, 290s);
        CHECK(s.on(0));
        s.read(9, 15s);
        CHECK_FALSE(s.on(0));
    }
    SECTION("who no longer wants to run hands its turn over at once") {
        Stand s(rig);
        s.settle(1, 2s);
        s.read(9, 10s);
        s.send(DemandChanged{s.now, 0, false});
        s.read(1, 2s);
        CHECK(s.on(1));
    }
}

TEST_CASE("who has room beside the others takes no turns") {
    Rig rig = one_of_two();
    rig.sources[0] = generator(2500, 5000);
    for (Load& load : rig.loads)
        load.rotation = "rooms";
    Stand s(rig);
    s.settle(1, 2s);
    s.read(9, 5s);
    s.read(17, 500s);
    CHECK(s.state(0) == "running");
    CHECK(s.state(1) == "running");
}

TEST_CASE("loads of one rotation take turns beside a load that takes none") {
    Rig rig = one_of_two();
    for (Load& load : rig.loads)
        load.rotation = "rooms";
    rig.loads.push_back(resistive("lamp", 3, 2));
    rig.sources[0] = generator(1500, 3000);  // 11.9 A may stay on
    Stand s(rig);
    s.settle(1, 5s);
    REQUIRE(s.on(0));
    REQUIRE(s.on(2));
    s.read(3, 2s);
    s.read(11, 90s);
    CHECK(s.on(0));
    s.read_until_command(11, 20s);
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "shed_for_turn");
    CHECK(s.on(2));
    s.read(3, 5s);
    CHECK(s.on(1));
}

TEST_CASE("a permit is not called unused while its start is still awaited") {
    Rig rig = one_of_two();
    rig.timing.starts_at_once = 2;
    rig.loads[0].stages[0].latest_after = 300s;
    Stand s(rig);
    s.settle(1, 2s);
    REQUIRE(s.on(0));
    s.read(1, 290s);
    CHECK(s.on(0));
    s.read_until_command(1, 20s);
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "shed_unused");
}

namespace {

/// Three that take turns on a source that carries one of them: 9.6 A to join.
struct ThreeRooms {
    ThreeRooms() {
        Rig rig = rig_of({generator(1250, 2500)},
                         {resistive("large", 1, 8), resistive("small", 2, 6), resistive("third", 3, 6)});
        for (Load& load : rig.loads)
            load.rotation = "rooms";
        rig.timing.dwell = 100s;
        s = std::make_unique<Stand>(rig);
        s->send(LinkChanged{s->now, true});
    }
    void run(Duration time) {
        for (const Instant end = s->now + time; s->now < end;)
            s->read(other_a + (s->on(0) ? 8 : 0) + (s->on(1) ? 6 : 0) + (s->on(2) ? 6 : 0));
    }
    void run_until_on(LoadIndex load) {
        for (int i = 0; i < 4000 && !s->on(load); ++i)
            run(100ms);
        REQUIRE(s->on(load));
    }

    std::unique_ptr<Stand> s;
    double other_a = 1;
};

}  // namespace

TEST_CASE("who cannot use its turn does not keep the next one from it") {
    ThreeRooms rooms;
    rooms.run_until_on(0);
    rooms.run_until_on(1);
    rooms.run_until_on(2);  // the large one has waited longest
    rooms.run(50s);
    SECTION("because a person holds it off") {
        rooms.s->send(OperatorRequest{rooms.s->now, 0, Request::hold});
        rooms.run(100s);
        CHECK(rooms.s->on(1));
    }
    SECTION("because it does not fit beside what nobody controls") {
        rooms.other_a = 3;
        rooms.run(100s);
        CHECK(rooms.s->on(1));
    }
    SECTION("otherwise the turn is its own") {
        rooms.run(100s);
        CHECK(rooms.s->on(0));
    }
}

TEST_CASE(
    "room that was made is kept while the source cools, also from loads that take turns with each other") {
    Load motor = resistive("motor", 1, 10);
    motor.stages[0] = {"motor", 62, 500ms, 10, 1s};
    motor.wanted_at_start = false;
    Rig rig = rig_of({breaker(30)},
                     {motor, resistive("heater", 2, 26), resistive("one", 3, 8), resistive("other", 4, 8)});
    for (const LoadIndex i : {2U, 3U}) {
        rig.loads[i].rotation = "rooms";
        rig.loads[i].minimum_on = 60s;
    }
    Stand s(rig);
    s.settle(1, 3s);
    s.read(27, 120s);
    REQUIRE(s.state(1) == "running");
    REQUIRE_FALSE(s.on(2));
    s.send(DemandChanged{s.now, 0, true});
    s.read(27, 300ms);
    REQUIRE(s.why(0) == "makes_room");
    s.read(1, 1s);
    CHECK_FALSE(s.on(0));
    CHECK_FALSE(s.on(2));
    CHECK_FALSE(s.on(3));
    const auto next = s.read_until_command(1, 20s);
    REQUIRE_FALSE(next.empty());
    CHECK(next[0].load == 0);
    CHECK(next[0].on);
}

TEST_CASE("who waits for the turns of several to end says so, not that there is no room") {
    // 1650 W: it carries the second and the third, or the first alone.
    Rig rig = rig_of({generator(1650, 3300)},
                     {resistive("first", 1, 8), resistive("second", 2, 6), resistive("third", 3, 6)});
    Stand s(rig);
    s.send(DemandChanged{s.now, 0, false});
    const auto run = [&](Duration time) {
        for (const Instant end = s.now + time; s.now < end;)
            s.read(0.3 + (s.on(0) ? 8 : 0) + (s.on(1) ? 6 : 0) + (s.on(2) ? 6 : 0));
    };
    s.send(LinkChanged{s.now, true});
    run(60s);
    REQUIRE((s.on(1) && s.on(2)));
    s.send(DemandChanged{s.now, 0, true});
    run(60s);
    REQUIRE((s.on(0) && !s.on(1) && !s.on(2)));
    s.send(DemandChanged{s.now, 0, false});
    run(120s);
    REQUIRE((s.on(1) && s.on(2)));
    s.send(DemandChanged{s.now, 0, true});
    run(60s);
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "waits_for_turn");
    run(600s);
    CHECK(s.on(0));
}

TEST_CASE("who waits for the turns of several to end waits for the last of them") {
    // 1650 W: it carries the first and one more beside 3 A of others, and the first alone beside 5 A.
    Rig rig = rig_of({generator(1650, 3300)},
                     {resistive("first", 1, 6), resistive("second", 2, 3), resistive("third", 3, 3)});
    Stand s(rig);
    double others_a = 3;
    const auto run = [&](Duration time) {
        for (const Instant end = s.now + time; s.now < end;)
            s.read(others_a + (s.on(0) ? 6 : 0) + (s.on(1) ? 3 : 0) + (s.on(2) ? 3 : 0));
    };
    const auto want = [&](LoadIndex i, bool wanted) {
        s.send(DemandChanged{s.now, i, wanted});
        run(60s);
    };
    s.send(LinkChanged{s.now, true});
    want(0, false);
    want(2, false);
    others_a = 5;
    run(10s);
    REQUIRE(s.on(1));
    want(0, true);
    REQUIRE((s.on(0) && !s.on(1)));
    want(0, false);
    others_a = 3;
    run(60s);
    want(2, true);
    REQUIRE((s.on(1) && s.on(2)));
    want(0, true);
    REQUIRE((s.on(0) && s.on(1) && !s.on(2)));
    const Instant third_made_room = s.now - 60s;
    want(0, false);
    others_a = 5;
    run(60s);
    REQUIRE((s.on(1) && s.on(2)));
    want(0, true);
    REQUIRE(s.why(0) == "waits_for_turn");
    CHECK(s.marshal.load(0).reason.other == LoadIndex{2});
    CHECK(*s.marshal.load(0).reason.until == third_made_room + 600s);
    run(third_made_room + 595s - s.now);
    CHECK_FALSE(s.on(0));
    run(60s);
    CHECK(s.on(0));
}
