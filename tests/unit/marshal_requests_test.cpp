// What people ask for: hold, prefer, stop everything; and how often a stall is tried again.
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal::stand;

namespace {

/// 1250 W: it carries one of two heaters, not both.
Rig one_of_two() {
    return rig_of({generator(1250, 2500)}, {resistive("first", 1, 8), resistive("second", 2, 8)});
}

void prefer(Stand& s, LoadIndex load, Duration for_) {
    s.send(OperatorRequest{s.now, load, Request::prefer, s.now + for_});
}

}  // namespace

TEST_CASE("a preferred load goes before a higher rank until its time is over") {
    Stand s(one_of_two());
    s.settle(1, 2s);
    s.read(9, 20s);
    REQUIRE(s.on(0));
    REQUIRE_FALSE(s.on(1));
    prefer(s, 1, 300s);
    CHECK(s.marshal.load(1).preferred_until == s.now + 300s);
    s.read_until_command(9, 5s);
    CHECK_FALSE(s.on(0));
    CHECK(s.why(0) == "shed_for_rank");
    s.read(1, 5s);
    CHECK(s.on(1));
    s.read(9, 280s);
    CHECK(s.on(1));
    CHECK_FALSE(s.on(0));
    s.read(9, 700s);  // the dwell has passed, too
    CHECK_FALSE(s.marshal.load(1).preferred_until);
    CHECK_FALSE(s.on(1));
}

TEST_CASE("a preference ends when a person says so") {
    Stand s(one_of_two());
    s.settle(1, 2s);
    prefer(s, 1, 300s);
    REQUIRE(s.marshal.load(1).preferred_until);
    prefer(s, 1, 0s);
    CHECK_FALSE(s.marshal.load(1).preferred_until);
}

TEST_CASE("a preference does not break a limit, a rest or a hold") {
    Stand s(one_of_two());
    s.settle(1, 2s);
    s.send(OperatorRequest{s.now, 1, Request::hold});
    prefer(s, 1, 300s);
    s.read(9, 60s);
    CHECK(s.on(0));
    CHECK(s.why(1) == "held_by_person");
}

TEST_CASE("everything stops when a person says so, and goes on in sequence when that ends") {
    Stand s(rig_of({breaker(30)}, {air_conditioner("front", 1, 30, 10), resistive("heater", 2, 8)}));
    s.settle();
    REQUIRE(s.on(0));
    REQUIRE(s.on(1));
    s.send(StopEverything{s.now, true});
    CHECK(s.marshal.everything_stopped());
    CHECK_FALSE(s.on(0));
    CHECK_FALSE(s.on(1));
    CHECK(s.says(0) == "off: a person has stopped everything");
    s.read(1, 600s);
    CHECK_FALSE(s.on(0));
    CHECK_FALSE(s.on(1));
    s.send(StopEverything{s.now, false});
    s.read(1, 10s);
    CHECK(s.on(0));
    CHECK(s.on(1));
}

TEST_CASE(
    "a stalled compressor is tried again after its rest, as often as configured, then a person must look") {
    Load load = air_conditioner("front", 1, 30, 10);
    load.stall_retries = 2;
    Stand s(rig_of({breaker(30)}, {load}));
    s.settle();
    const auto stall = [&] {
        REQUIRE(s.on(0));
        s.read(3, 3s);
        s.read_until_command(33, 3s);
        CHECK_FALSE(s.on(0));
        CHECK(s.state(0) == "locked_out");
        CHECK(s.alert("stall"));
    };
    stall();
    s.read(1, 290s);
    CHECK_FALSE(s.on(0));
    s.read(1, 15s);
    CHECK(s.on(0));
    CHECK(s.alert("stall"));  // until it has started
    stall();
    s.read(1, 310s);
    stall();
    s.read(1, 3600s);
    CHECK_FALSE(s.on(0));
    s.send(OperatorRequest{s.now, 0, Request::acknowledge});
    s.read(1, 300s);
    CHECK(s.on(0));
    CHECK_FALSE(s.alert("stall"));
    s.read(3, 3s);
    s.read(33, 200ms);
    s.read(13, 5s);
    CHECK(s.state(0) == "running");
}
