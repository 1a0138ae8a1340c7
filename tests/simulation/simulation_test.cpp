// The simulation's own tests: that a run repeats, that the judge does find what it looks for and excuses what
// it should, and that a failing case becomes smaller. Where a rule is to be broken, the rig has no relays
// (RigPlan::managed), so that nothing the program decides can help.
#include <algorithm>
#include <memory>
#include <set>
#include <string>

#include "tests/simulation/random_rig.h"
#include "tests/simulation/run.h"
#include "tests/support/catch.h"

using namespace ampmarshal;
using namespace ampmarshal::tests;
using namespace std::chrono_literals;

namespace {

struct Close {
    void operator()(std::FILE* file) const { std::fclose(file); }
};

std::string trace_of(const Case& c) {
    const std::unique_ptr<std::FILE, Close> file(std::tmpfile());
    REQUIRE(file);
    run(c, file.get());
    std::string text(static_cast<std::size_t>(std::ftell(file.get())), '\0');
    REQUIRE(std::fseek(file.get(), 0, SEEK_SET) == 0);
    REQUIRE(std::fread(text.data(), 1, text.size(), file.get()) == text.size());
    return text;
}

virtual_rig::LoadPlan heater(const std::string& name, double running_a) {
    return {.name = name,
            .relay = virtual_rig::RelayPlan{},
            .kind = virtual_rig::HeaterPlan{
                .running_a = running_a,
                .tank = {.start_c = 15, .surroundings_c = 20, .capacity_j_per_k = 1e6, .loss_w_per_k = 10},
                .thermostat = {.set_c = 60}}};
}

/// Two heaters, of which one alone is too much for the breaker, and nobody can switch either.
Case doomed() {
    virtual_rig::RigPlan plan;
    plan.name = "doomed";
    plan.managed = false;
    plan.sources = {{.name = "supply", .kind = virtual_rig::BreakerPlan{.rating_a = 15}}};
    plan.loads = {
        heater("small", 2), heater("large", 25), {.name = "base", .kind = virtual_rig::BaseLoadPlan{1}}};
    return {1, 2h, plan, false, true, {{1, 1}, {1, 1}, {1, 1}}, {}};
}

Fault fault(FaultKind kind, rules::Duration from, rules::Duration to) {
    return {.number = 0, .kind = kind, .from = from, .to = to};
}

}  // namespace

TEST_CASE("the same seed gives the same run, to the last line of its trace") {
    const Case c = draw_case(3, 2h);
    const std::string once = trace_of(c);
    CHECK(once.size() > 500);
    CHECK(once == trace_of(draw_case(3, 2h)));
    CHECK(once != trace_of(draw_case(4, 2h)));
}

TEST_CASE("a trip is found, and the case becomes as small as it can be") {
    const Case c = doomed();
    const Outcome outcome = run(c, nullptr);
    REQUIRE(outcome.broken);
    CHECK(outcome.broken->rule == "no trip, no stall of a generator");
    const Case small = shrink(c, *outcome.broken, 50);
    REQUIRE(small.plan.loads.size() == 2);
    CHECK(small.plan.loads[0].name == "large");
    CHECK(small.time < c.time);
    CHECK(run(small, nullptr).broken->rule == outcome.broken->rule);
}

TEST_CASE("a trip while the broker is gone is nobody's fault, a trip long after it is") {
    Case c = doomed();
    c.healthy = false;
    c.faults = {fault(FaultKind::broker_gone, 1s, 30min)};
    const Outcome meanwhile = run(c, nullptr);
    CHECK(meanwhile.figures.trips_excused >= 1);
    c.faults = {fault(FaultKind::long_cord, 1s, 2s)};
    CHECK(run(c, nullptr).broken.has_value());
}

TEST_CASE("a load that nobody lets run although it fits is called starved") {
    Case c = doomed();
    c.plan.managed = true;
    c.plan.loads.erase(c.plan.loads.begin() + 1);
    c.believed.pop_back();
    c.time = 3h;
    CHECK_FALSE(run(c, nullptr).broken);
    c.healthy = false;
    c.plan.loads[0].relay->fault = virtual_rig::RelayFault::stuck_open;  // of which the judge is told nothing
    const Outcome outcome = run(c, nullptr);
    REQUIRE(outcome.broken);
    CHECK(outcome.broken->rule == "a load that fits is not starved");
}

TEST_CASE("nobody is blamed for remembering a cord that was taken away without a sign") {
    // On its second leg nothing moves the voltage any more, and the supply is never away.
    const Case drawn = with_faults(draw_case(301716, 6h), {0});
    REQUIRE(drawn.faults.size() == 1);
    REQUIRE(drawn.faults[0].kind == FaultKind::long_cord);
    Case c = with_loads(drawn, {"load-1", "load-2", "load-3", "twin-1", "twin-2"});
    c.time = 9800s;
    CHECK_FALSE(run(c, nullptr).broken);
}

TEST_CASE("a daemon that was restarted is not blamed for a relay that sticks, and shows nothing") {
    Case c = with_loads(with_faults(draw_case(302198, 6h), {3, 4}), {"load-1", "load-9"});
    REQUIRE(c.faults.size() == 2);
    REQUIRE(c.faults[0].kind == FaultKind::relay_stuck_on);
    c.time = 6000s;
    CHECK_FALSE(run(c, nullptr).broken);
}

TEST_CASE("nobody is blamed for a smaller source of which the word was lost, before a person has told it") {
    // 25 A may run on the first source, and are too much for the other one.
    const bool lost = GENERATE(false, true);
    const bool managed = GENERATE(false, true);
    CAPTURE(lost, managed);
    Case c = doomed();
    c.healthy = false;
    c.time = 30min;
    c.plan.managed = managed;
    c.plan.sources = {{.name = "supply", .kind = virtual_rig::BreakerPlan{.rating_a = 50}},
                      {.name = "other-supply", .kind = virtual_rig::BreakerPlan{.rating_a = 15}}};
    c.faults = {fault(FaultKind::source_swapped, 1min, 2min)};
    if (lost) {
        c.faults.push_back(fault(FaultKind::readings_lost, 119s, 121s));
        c.faults.back().amount = 1;
    }
    const Outcome outcome = run(c, nullptr);
    CHECK((outcome.figures.trips_excused > 0) == lost);
    // Where nobody can switch anything it trips anew when the breaker is closed, long after it was told.
    CHECK(outcome.broken.has_value() == !managed);
}

TEST_CASE("a load that has heard none of many commands to stop is nobody's fault, one that was not told is") {
    const bool managed = GENERATE(true, false);
    CAPTURE(managed);
    Case c = doomed();
    c.plan.managed = managed;
    c.healthy = false;
    c.time = 20min;
    c.plan.sources = {{.name = "supply", .kind = virtual_rig::BreakerPlan{.rating_a = 30}}};
    c.plan.loads[1].relay.reset();
    c.plan.loads[1].kind = virtual_rig::AppliancePlan{25, {{5min, 2h}}};
    c.plan.loads[0] = heater("small", 12);
    c.faults = {fault(FaultKind::commands_lost, 4min, 2h)};
    c.faults[0].amount = 1;
    const Outcome outcome = run(c, nullptr);
    CHECK((outcome.figures.trips_excused > 0) == managed);
    CHECK(outcome.broken.has_value() == !managed);
}

TEST_CASE("every kind of fault is drawn, those of the network only for a wireless one, and all end in time") {
    std::set<FaultKind> seen;
    for (std::uint64_t seed = 1; seed <= 60; ++seed) {
        for (const bool wireless : {false, true}) {
            const auto plan = random_rig(seed, 24h);
            const auto faults = draw_faults(seed, plan, wireless, 24h, 2h);
            for (const Fault& f : faults) {
                seen.insert(f.kind);
                CHECK(f.from < f.to);
                CHECK(f.to <= 22h);
                CHECK((wireless || f.kind > FaultKind::commands_repeated));
                CHECK_FALSE(describe(f).empty());
            }
            CHECK(std::is_sorted(faults.begin(), faults.end(),
                                 [](const Fault& a, const Fault& b) { return a.from < b.from; }));
        }
    }
    CHECK(seen.size() == fault_kinds);
}

TEST_CASE("a case is narrowed to loads and faults by name and number") {
    Case c = doomed();
    c.faults = {fault(FaultKind::broker_gone, 1s, 2s), fault(FaultKind::relay_slow, 3s, 4s)};
    c.faults[1].number = 1;
    c.faults[1].load = "large";
    const Case fewer = with_loads(c, {"small"});
    CHECK(fewer.plan.loads.size() == 2);
    CHECK(fewer.believed.size() == 2);
    CHECK(fewer.faults.size() == 1);
    CHECK(with_faults(c, {1}).faults.front().kind == FaultKind::relay_slow);
    CHECK(with_faults(c, {}).faults.empty());
}

TEST_CASE("the configuration of a case is one that the daemon reads, and means the same") {
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        const Case c = draw_case(seed, 2h);
        const auto read = daemon::read_configuration(configuration_file(c));
        CAPTURE(seed);
        if (const auto* mistakes = std::get_if<daemon::Mistakes>(&read))
            for (const auto& mistake : *mistakes)
                UNSCOPED_INFO(sentence(mistake));
        REQUIRE(std::holds_alternative<daemon::Configuration>(read));
        const auto& rig = std::get<daemon::Configuration>(read).rig;
        const auto own = configuration_of(c).rig;
        REQUIRE(rig.loads.size() == own.loads.size());
        for (std::size_t i = 0; i < own.loads.size(); ++i) {
            CHECK(rig.loads[i].rank == own.loads[i].rank);
            CHECK(rig.loads[i].legs == own.loads[i].legs);
            CHECK(rig.loads[i].stages.back().start_a == Approx(own.loads[i].stages.back().start_a));
        }
        REQUIRE(rig.sources.size() == own.sources.size());
        for (std::size_t s = 0; s < own.sources.size(); ++s)
            CHECK(rig.sources[s].limits.size() == own.sources[s].limits.size());
    }
}

TEST_CASE("what an owner believes of a load is off by no more than the stated error") {
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        const Case c = draw_case(seed, 2h);
        const auto truth = configuration_of(c.plan).rig;
        const auto believed = configuration_of(c).rig;
        for (std::size_t i = 0; i < truth.loads.size(); ++i) {
            const auto& t = truth.loads[i].stages.back();
            const auto& b = believed.loads[i].stages.back();
            CHECK(std::abs(b.running_a / t.running_a - 1) <= running_error + 1e-9);
            CHECK(b.start_a >= b.running_a);
            CHECK(b.start_a >= (1 - start_too_low) * t.start_a - 1e-9);
        }
    }
}

TEST_CASE("nobody is blamed for when a load stopped whose relay stuck, and nothing could tell") {
    const bool tells = GENERATE(false, true);
    CAPTURE(tells);
    Case c;
    c.seed = 1;
    c.time = 10min;
    c.plan.name = "stuck";
    c.plan.sources = {{.name = "supply", .kind = virtual_rig::BreakerPlan{.rating_a = 50}}};
    const virtual_rig::AirConditionerPlan unit{
        .fan = {.running_a = 2, .start_a = 4, .plateau = 80ms},
        .compressor = {.running_a = 10, .start_a = 20, .plateau = 100ms},
        .fan_to_compressor = 5s,
        .room = {.start_c = 35, .surroundings_c = 35, .capacity_j_per_k = 6e5, .loss_w_per_k = 100},
        .thermostat = {.set_c = 20}};
    c.plan.loads = {{.name = "front",
                     .control = virtual_rig::Control::permitted,
                     .relay = virtual_rig::RelayPlan{.feedback = tells},
                     .kind = unit},
                    {.name = "base", .kind = virtual_rig::BaseLoadPlan{1}}};
    c.wireless = c.healthy = false;
    c.believed = {{1, 1}, {1, 1}};
    c.faults = {fault(FaultKind::relay_stuck_on, 2s, 120s)};
    c.faults[0].load = "front";
    const Outcome outcome = run(c, nullptr);
    CHECK_FALSE(outcome.broken);
}

TEST_CASE(
    "a relay that sticks excuses what its load trips, and the failure of the load's own meter does not") {
    const bool told = GENERATE(true, false);  // the judge, that the relay sticks
    CAPTURE(told);
    Case c = doomed();
    c.plan.managed = true;
    c.healthy = false;
    c.plan.loads.erase(c.plan.loads.begin());
    c.believed.pop_back();
    auto& large = c.plan.loads[0];
    large.meter = virtual_rig::MeterPlan{};
    c.faults = {fault(FaultKind::own_meter_silent, 5s, told ? 6s : 2h)};
    if (told)
        c.faults.insert(c.faults.begin(), fault(FaultKind::relay_stuck_on, 2s, 2h));
    else
        large.relay->fault = virtual_rig::RelayFault::stuck_closed;
    for (Fault& f : c.faults)
        f.load = large.name;
    const Outcome outcome = run(c, nullptr);
    CHECK(outcome.broken.has_value() != told);
    CHECK((outcome.figures.trips_excused > 0) == told);
}
