#include "adapters/meters.h"

#include <string>

#include "tests/support/catch.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using adapters::Meters;
using adapters::MeterWiring;
using adapters::NumberAt;
using adapters::Rejection;

namespace {

MeterWiring wiring() {
    return {.id = "main",
            .leg = rules::Leg::l1,
            .current = {},
            .power = {},
            .voltage = {},
            .frequency = {},
            .peak = {},
            .period = 100ms,
            .stale_after = 1s,
            .nominal_v = 120,
            .largest_plausible_a = 500};
}

MeterWiring in_one_message() {
    MeterWiring it = wiring();
    it.current = NumberAt{"m", "/current", 1};
    it.voltage = NumberAt{"m", "/voltage", 1};
    it.frequency = NumberAt{"m", "/frequency", 1};
    it.peak = NumberAt{"m", "/peak", 1};
    return it;
}

MeterWiring in_a_topic_each() {
    MeterWiring it = wiring();
    it.current = NumberAt{"m/a", "", 1};
    it.voltage = NumberAt{"m/v", "", 1};
    it.frequency = NumberAt{"m/hz", "", 1};
    it.peak = NumberAt{"m/peak", "", 1};
    return it;
}

MeterWiring in_watts() {
    MeterWiring it = wiring();
    it.power = NumberAt{"m/w", "", 1};
    it.voltage = NumberAt{"m/v", "", 1};
    return it;
}

/// The samples that one message makes.
std::vector<rules::MeterSample> after(Meters& meters, rules::Duration at, std::string_view topic,
                                      std::string_view payload, bool retained = false) {
    std::vector<rules::MeterSample> samples;
    meters.received(rules::Instant(at), {.topic = topic, .payload = payload, .retained = retained}, samples);
    return samples;
}

}  // namespace

TEST_CASE("One message with every value makes one whole sample") {
    Meters meters({in_one_message()});
    const auto samples =
        after(meters, 5s, "m", R"({"current": 12.5, "voltage": 118, "frequency": 60, "peak": 40})");
    REQUIRE(samples.size() == 1);
    CHECK(samples[0].at == rules::Instant(5s));
    CHECK(samples[0].leg == rules::Leg::l1);
    CHECK(samples[0].current_a == 12.5);
    CHECK(samples[0].voltage_v == 118);
    CHECK(samples[0].frequency_hz == 60);
    CHECK(samples[0].peak_a == 40);
    CHECK(meters.counts(0).accepted == 1);
    CHECK(meters.take_notices().empty());
}

TEST_CASE("The scale turns what the meter tells into amperes, and a clamp round") {
    MeterWiring it = wiring();
    it.current = NumberAt{"m", "", -0.001};
    Meters meters({it});
    CHECK(after(meters, 0s, "m", "-12500").at(0).current_a == Approx(12.5));
}

TEST_CASE("Messages of other topics are ignored and not counted") {
    Meters meters({in_one_message()});
    CHECK(after(meters, 0s, "n", "garbage").empty());
    CHECK(meters.counts(0).accepted == 0);
    CHECK(meters.take_notices().empty());
}

TEST_CASE("Values on topics of their own join the next current") {
    Meters meters({in_a_topic_each()});
    CHECK(after(meters, 0ms, "m/v", "117").empty());
    CHECK(after(meters, 1ms, "m/hz", "59.5").empty());
    CHECK(after(meters, 2ms, "m/peak", "44").empty());
    const auto samples = after(meters, 3ms, "m/a", "10");
    REQUIRE(samples.size() == 1);
    CHECK(samples[0].voltage_v == 117);
    CHECK(samples[0].frequency_hz == 59.5);
    CHECK(samples[0].peak_a == 44);
}

TEST_CASE("A value as old as the stale time still joins, an older one does not") {
    Meters meters({in_a_topic_each()});
    after(meters, 0ms, "m/v", "117");
    CHECK(after(meters, 1000ms, "m/a", "10").at(0).voltage_v == 117);
    CHECK(after(meters, 1001ms, "m/a", "10").at(0).voltage_v == std::nullopt);
}

TEST_CASE("A peak is handed on once") {
    Meters meters({in_a_topic_each()});
    after(meters, 0ms, "m/peak", "44");
    CHECK(after(meters, 1ms, "m/a", "10").at(0).peak_a == 44);
    CHECK(after(meters, 2ms, "m/a", "10").at(0).peak_a == std::nullopt);
}

TEST_CASE("A peak is never below the current beside it") {
    Meters meters({in_one_message()});
    CHECK(after(meters, 0s, "m", R"({"current": 12, "peak": 11.9})").at(0).peak_a == 12);
}

TEST_CASE("Where there is only power, the current is power over voltage") {
    Meters meters({in_watts()});
    CHECK(after(meters, 0ms, "m/w", "1200").at(0).current_a == Approx(10));  // no voltage yet: nominal
    after(meters, 1ms, "m/v", "100");
    const auto samples = after(meters, 2ms, "m/w", "1200");
    CHECK(samples.at(0).current_a == Approx(12));
    CHECK(samples.at(0).voltage_v == 100);
    CHECK(after(meters, 2s, "m/w", "1200").at(0).current_a == Approx(10));  // the voltage is stale
}

TEST_CASE("Power over a voltage that is going away counts as if it were nominal") {
    Meters meters({in_watts()});
    after(meters, 0ms, "m/v", "60");
    CHECK(after(meters, 1ms, "m/w", "600").at(0).current_a == Approx(10));
    after(meters, 2ms, "m/v", "59");
    CHECK(after(meters, 3ms, "m/w", "600").at(0).current_a == Approx(5));
    after(meters, 4ms, "m/v", "0");
    const auto samples = after(meters, 5ms, "m/w", "0");
    CHECK(samples.at(0).current_a == 0);
    CHECK(samples.at(0).voltage_v == 0);  // a lost supply is news, not a fault
}

TEST_CASE("Two meters may share a message") {
    MeterWiring one = wiring();
    one.current = NumberAt{"m", "/l1", 1};
    MeterWiring two = wiring();
    two.id = "second";
    two.leg = rules::Leg::l2;
    two.current = NumberAt{"m", "/l2", 1};
    Meters meters({one, two});
    const auto samples = after(meters, 0s, "m", R"({"l1": 1, "l2": 2})");
    REQUIRE(samples.size() == 2);
    CHECK(samples[0].leg == rules::Leg::l1);
    CHECK(samples[0].current_a == 1);
    CHECK(samples[1].leg == rules::Leg::l2);
    CHECK(samples[1].current_a == 2);
    CHECK(after(meters, 1s, "m", R"({"l2": 3})").at(0).leg == rules::Leg::l2);
    CHECK(meters.counts(0)[Rejection::missing] == 1);
    CHECK(meters.counts(1)[Rejection::missing] == 0);
}

TEST_CASE("A meter that watches one load says which") {
    MeterWiring plug = wiring();
    plug.load = 2;
    plug.current = NumberAt{"plug", "", 1};
    Meters meters({in_one_message(), plug});
    CHECK(after(meters, 0s, "plug", "4.5").at(0).load == rules::LoadIndex{2});
    CHECK_FALSE(
        after(meters, 0s, "m", R"({"current": 1, "voltage": 120, "frequency": 60, "peak": 1})").at(0).load);
}

TEST_CASE("A retained message is of unknown age: refused, and counted once for the meter") {
    Meters meters({in_one_message()});
    CHECK(after(meters, 0s, "m", R"({"current": 12, "voltage": 118})", true).empty());
    CHECK(meters.counts(0)[Rejection::retained] == 1);
    CHECK(meters.counts(0).accepted == 0);
    CHECK(after(meters, 1s, "m", R"({"current": 12})").at(0).voltage_v == std::nullopt);
}

TEST_CASE("A retained value does not push out a live one") {
    Meters meters({in_a_topic_each()});
    after(meters, 0ms, "m/v", "117");
    after(meters, 1ms, "m/v", "90", true);
    CHECK(after(meters, 2ms, "m/a", "10").at(0).voltage_v == 117);
}

TEST_CASE("What is no current a wire could carry is refused and counted by its cause") {
    MeterWiring it = wiring();
    it.current = NumberAt{"m", "/a", 1};
    Meters meters({it});
    const std::string oversized(adapters::Payload::most_bytes + 1, ' ');
    CHECK(after(meters, 0s, "m", "garbage").empty());
    CHECK(after(meters, 0s, "m", R"({"a": true})").empty());
    CHECK(after(meters, 0s, "m", R"({"b": 1})").empty());
    CHECK(after(meters, 0s, "m", R"({"a": 500.1})").empty());
    CHECK(after(meters, 0s, "m", R"({"a": -0.6})").empty());
    CHECK(after(meters, 0s, "m", R"({"a": 1e308})").empty());
    CHECK(after(meters, 0s, "m", oversized).empty());
    CHECK(meters.counts(0)[Rejection::not_a_number] == 2);
    CHECK(meters.counts(0)[Rejection::missing] == 1);
    CHECK(meters.counts(0)[Rejection::out_of_range] == 3);
    CHECK(meters.counts(0)[Rejection::too_large] == 1);
    CHECK(meters.counts(0)[Rejection::retained] == 0);
    CHECK(meters.counts(0).accepted == 0);
}

TEST_CASE("A scale that makes a number infinite makes it implausible") {
    MeterWiring it = wiring();
    it.current = NumberAt{"m", "", 1e6};
    Meters meters({it});
    CHECK(after(meters, 0s, "m", "1e308").empty());
    CHECK(meters.counts(0)[Rejection::out_of_range] == 1);
}

TEST_CASE("The noise of an idle meter counts as no current") {
    Meters meters({in_one_message()});
    CHECK(after(meters, 0s, "m", R"({"current": -0.5})").at(0).current_a == 0);
    CHECK(after(meters, 0s, "m", R"({"current": 500})").at(0).current_a == 500);
}

TEST_CASE("Watts beyond any wire, or below zero, are refused") {
    Meters meters({in_watts()});
    CHECK(after(meters, 0s, "m/w", "-61").empty());
    CHECK(after(meters, 0s, "m/w", "60001").empty());
    CHECK(after(meters, 0s, "m/w", "-60").at(0).current_a == 0);
    CHECK(meters.counts(0)[Rejection::out_of_range] == 2);
}

TEST_CASE("A refused voltage, frequency or peak does not cost the sample its current") {
    Meters meters({in_one_message()});
    const auto samples =
        after(meters, 0s, "m", R"({"current": 12, "voltage": 241, "frequency": 101, "peak": "high"})");
    REQUIRE(samples.size() == 1);
    CHECK(samples[0].current_a == 12);
    CHECK(samples[0].voltage_v == std::nullopt);
    CHECK(samples[0].frequency_hz == std::nullopt);
    CHECK(samples[0].peak_a == std::nullopt);
    CHECK(meters.counts(0)[Rejection::out_of_range] == 2);
    CHECK(meters.counts(0)[Rejection::not_a_number] == 1);
}

TEST_CASE("A refused value makes the one before it forgotten") {
    Meters meters({in_a_topic_each()});
    after(meters, 0ms, "m/v", "117");
    after(meters, 1ms, "m/v", "oops");
    CHECK(after(meters, 2ms, "m/a", "10").at(0).voltage_v == std::nullopt);
}

TEST_CASE("The first rejection of each cause is told once, with its place") {
    Meters meters({in_one_message()});
    after(meters, 0s, "m", R"({"current": -9, "voltage": 118, "frequency": 60, "peak": 1})");
    auto notices = meters.take_notices();
    REQUIRE(notices.size() == 1);
    CHECK(notices[0] ==
          "Meter main: what came on m at /current is no value a rig can have; check the unit, and "
          "\"scale\" (-1 if the clamp sits the wrong way round).");
    CHECK(meters.take_notices().empty());
    after(meters, 1s, "m", R"({"current": -9, "voltage": 118, "frequency": 60, "peak": 1})");
    CHECK(meters.take_notices().empty());
    after(meters, 2s, "m", "1", true);
    after(meters, 2s, "m", R"({"current": "x"})");
    after(meters, 2s, "m", std::string(adapters::Payload::most_bytes + 1, ' '));
    notices = meters.take_notices();
    CHECK(notices.size() == 4);  // retained, not a number, missing, too large
}

TEST_CASE("Every topic is named once") {
    CHECK(Meters({in_one_message()}).topics() == std::vector<std::string>{"m"});
    CHECK(Meters({in_a_topic_each(), in_watts()}).topics() ==
          std::vector<std::string>{"m/a", "m/hz", "m/peak", "m/v", "m/w"});
}
