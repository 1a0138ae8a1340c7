// Who gets the room when it is not enough for all: permits that roam, and loads that take turns.
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
