#include "adapters/back_off.h"

#include "tests/support/catch.h"

using ampmarshal::adapters::BackOff;
using ampmarshal::rules::Duration;

TEST_CASE("back-off doubles from a quarter of a second to half a minute, less up to a half") {
    BackOff back_off(7);
    Duration full = BackOff::shortest;
    for (int failure = 0; failure < 12; ++failure) {
        const Duration wait = back_off.next();
        CHECK(wait <= full);
        CHECK(wait >= full / 2);
        full = std::min(full * 2, Duration(std::chrono::seconds(30)));
    }
    back_off.reset();
    CHECK(back_off.next() <= BackOff::shortest);
}

TEST_CASE("back-off waits the same times for the same seed, and others for another") {
    BackOff one(1), same(1), other(2);
    bool differed = false;
    for (int failure = 0; failure < 12; ++failure) {
        const Duration wait = one.next();
        CHECK(same.next() == wait);
        differed = differed || other.next() != wait;
    }
    CHECK(differed);
}
