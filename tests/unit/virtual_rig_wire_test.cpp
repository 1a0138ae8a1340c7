// What the virtual rig says and hears on MQTT: meters, relays, determinism.
#include <cmath>

#include "tests/support/catch.h"
#include "tests/unit/virtual_rig_bench.h"

namespace ampmarshal::virtual_rig {

using namespace bench;

namespace {
constexpr const char* meter_topic = "rig/bench/meter/l1";
constexpr const char* state_topic = "rig/bench/relay/ac/state";

RigPlan metered(const MeterPlan& meter) {
    RigPlan plan = quiet_plan({appliance(12.34, {{0s, 24h}})});
    plan.meter = meter;
    return plan;
}
}  // namespace

TEST_CASE("a meter publishes JSON with its period, after its latency") {
    Bench bench(metered({.period = 200ms, .latency = 450ms, .noise_a = 0, .noise_v = 0}));
    bench.run_to(649ms);
    CHECK(bench.link.all(meter_topic).empty());
    bench.run_to(650ms);
    CHECK(bench.link.all(meter_topic) ==
          std::vector<std::string>{R"({"current":12.30,"voltage":120.00,"frequency":60.00,"peak":12.30})"});
    bench.run_to(10s + 450ms);
    CHECK(bench.link.all(meter_topic).size() == 50);
}

TEST_CASE("a meter without JSON publishes plain numbers on a topic each") {
    MeterPlan plan{.noise_a = 0, .noise_v = 0, .resolution_a = 0.01, .format = MeterFormat::plain};
    Bench bench(metered(plan));
    bench.run_to(1s);
    CHECK(bench.link.last("rig/bench/meter/l1/current") == "12.34");
    CHECK(bench.link.last("rig/bench/meter/l1/voltage") == "120.00");
    CHECK(bench.link.last("rig/bench/meter/l1/frequency") == "60.00");
    CHECK(bench.link.last("rig/bench/meter/l1/peak") == "12.34");
    CHECK(bench.link.last(meter_topic).empty());
}

TEST_CASE("a meter's noise has the planned deviation, and its readings the planned resolution") {
    Bench bench(metered({.noise_a = 0.5, .noise_v = 1, .resolution_a = 0.2, .peak_hold = false}));
    bench.run_to(1000s);
    double sum = 0;
    double squares = 0;
    const auto payloads = bench.link.all(meter_topic);
    for (const auto& p : payloads) {
        const double a = field(p, "current");
        CHECK(std::abs(a / 0.2 - std::round(a / 0.2)) < 1e-6);
        sum += a;
        squares += a * a;
    }
    const auto n = static_cast<double>(payloads.size());
    REQUIRE(n > 9000);
    CHECK(sum / n == Approx(12.34).margin(0.03));
    // Quantization adds the variance of a rectangle: step^2 / 12.
    CHECK(std::sqrt(squares / n - sum / n * sum / n) == Approx(std::sqrt(0.25 + 0.04 / 12)).epsilon(0.05));
    CHECK(payloads.front().find("peak") == std::string::npos);
}

TEST_CASE("a slow meter misses a start's peak, and its peak-hold value does not") {
    RigPlan plan = quiet_plan({unit(small_unit())});
    plan.meter.period = 3s;
    plan.managed = false;
    Bench bench(plan);
    bench.run_to(20s);
    double highest_a = 0;
    double highest_peak_a = 0;
    for (const auto& p : bench.link.all(meter_topic)) {
        highest_a = std::max(highest_a, field(p, "current"));
        highest_peak_a = std::max(highest_peak_a, field(p, "peak"));
    }
    CHECK(highest_a == Approx(12));
    CHECK(highest_peak_a == Approx(47));
    // The hold is let go with each sample.
    CHECK(field(bench.link.last(meter_topic), "peak") == Approx(12));
}

TEST_CASE("a silent meter says nothing, a frozen one repeats itself") {
    Bench bench(quiet_plan({appliance(10, {{10s, 1h}})}));
    bench.run_to(5s);
    bench.rig.set_meter_fault(Leg::l1, MeterFault::frozen);
    bench.run_to(20s);
    CHECK(field(bench.link.last(meter_topic), "current") == 0);
    bench.rig.set_meter_fault(Leg::l1, MeterFault::silent);
    const auto said = bench.link.all(meter_topic).size();
    bench.run_to(30s);
    CHECK(bench.link.all(meter_topic).size() == said);
    bench.rig.set_meter_fault(Leg::l1, MeterFault::none);
    bench.run_to(31s);
    CHECK(field(bench.link.last(meter_topic), "current") == Approx(10));
    bench.rig.set_meter_fault(Leg::l2, MeterFault::silent);  // a rig with one leg has no such meter
}

TEST_CASE("a meter that is off shows so much more or less, one that spikes does so now and then") {
    Bench bench(quiet_plan({appliance(10, {{0s, 1h}})}));
    bench.rig.set_meter_fault(Leg::l1, MeterFault::offset, -3);
    bench.run_to(10s);
    CHECK(field(bench.link.last(meter_topic), "current") == Approx(7));
    bench.rig.set_meter_fault(Leg::l1, MeterFault::spiking, 40);
    const auto said = bench.link.all(meter_topic).size();
    bench.run_to(110s);
    const auto payloads = bench.link.all(meter_topic);
    const auto spikes = std::count_if(payloads.begin() + static_cast<std::ptrdiff_t>(said), payloads.end(),
                                      [](const std::string& p) { return field(p, "current") > 45; });
    CHECK(spikes >= 5);   // of 1000 readings one in fifty:
    CHECK(spikes <= 50);  // 20, standard deviation 4.4
}

TEST_CASE("the second leg has a meter of its own") {
    LoadPlan load = appliance(7, {{0s, 1h}});
    load.legs = LegSet(Leg::l2);
    RigPlan plan = quiet_plan({load});
    plan.legs = 2;
    Bench bench(plan);
    bench.run_to(1s);
    CHECK(field(bench.link.last(meter_topic), "current") == 0);
    CHECK(field(bench.link.last("rig/bench/meter/l2"), "current") == Approx(7));
}

TEST_CASE("two meters that are swapped each show the other leg") {
    LoadPlan load = appliance(7, {{0s, 1h}});
    load.legs = LegSet(Leg::l2);
    RigPlan plan = quiet_plan({load});
    plan.legs = 2;
    Bench bench(plan);
    bench.rig.swap_meters(true);
    bench.run_to(1s);
    CHECK(field(bench.link.last(meter_topic), "current") == Approx(7));
    CHECK(field(bench.link.last("rig/bench/meter/l2"), "current") == 0);
    bench.rig.swap_meters(false);
    bench.run_to(2s);
    CHECK(field(bench.link.last(meter_topic), "current") == 0);
}

TEST_CASE("a relay obeys after its latency and tells its contact, retained") {
    LoadPlan load = unit(small_unit());
    load.relay->latency = 300ms;
    Bench bench(quiet_plan({load}));
    CHECK(bench.link.filters == std::vector<std::string>{"rig/bench/relay/+/set", "rig/bench/setting/+/set"});
    CHECK(bench.link.last(state_topic) == "OFF");
    bench.command(10s, "ac", "ON");
    bench.run_to(10299ms);
    CHECK(bench.link.last(state_topic) == "OFF");
    bench.run_to(10300ms);
    CHECK(bench.link.last(state_topic) == "ON");
    CHECK(bench.link.sent.back().delivery == adapters::Delivery::state);
    bench.command(11s, "ac", "ON");
    bench.command(12s, "ac", "OFF");
    bench.run_to(13s);
    CHECK(bench.link.last(state_topic) == "OFF");
    CHECK(bench.rig.truth().loads[0].operations == 2);
}

TEST_CASE("of a flood of commands within one latency the last one holds") {
    LoadPlan load = unit(small_unit());
    load.relay->latency = 1s;
    Bench bench(quiet_plan({load}));
    for (int i = 0; i < 1000; ++i)
        bench.command(1s, "ac", i % 2 == 0 ? "OFF" : "ON");
    bench.run_to(3s);
    CHECK(bench.link.last(state_topic) == "ON");
    CHECK(bench.rig.truth().loads[0].operations <= 8);
}

TEST_CASE("a relay without feedback keeps its contact to itself") {
    LoadPlan load = unit(small_unit());
    load.relay->feedback = false;
    Bench bench(quiet_plan({load}));
    bench.command(0s, "ac", "ON");
    bench.run_to(20s);
    CHECK(bench.rig.truth().loads[0].running);
    CHECK(bench.link.all(state_topic).empty());
}

TEST_CASE("a stuck relay does not obey, open or closed, and obeys again when it is free") {
    LoadPlan load = unit(small_unit());
    load.relay->fault = RelayFault::stuck_open;
    Bench bench(quiet_plan({load}));
    bench.command(0s, "ac", "ON");
    bench.run_to(20s);
    CHECK(bench.rig.line().current_a[Leg::l1] == 0);
    bench.rig.set_relay_fault("ac", RelayFault::stuck_closed);
    bench.command(21s, "ac", "OFF");
    bench.run_to(40s);
    CHECK(bench.rig.truth().loads[0].running);
    CHECK(bench.link.last(state_topic) == "ON");
    bench.rig.set_relay_fault("ac", RelayFault::none);
    bench.run_to(41s);
    CHECK(bench.rig.line().current_a[Leg::l1] == 0);
    bench.rig.set_relay_fault("no such load", RelayFault::stuck_closed);
}

TEST_CASE("a slow relay obeys two seconds later, and a flapping feedback lies about a contact that is fine") {
    Bench bench(quiet_plan({unit(small_unit())}));
    bench.rig.set_relay_fault("ac", RelayFault::slow);
    bench.command(1s, "ac", "ON");
    bench.run_to(20s);
    CHECK(bench.when(Happening::contact_closed) == Duration(3050ms));
    bench.rig.set_relay_fault("ac", RelayFault::feedback_flaps);
    const auto said = bench.link.all(state_topic).size();
    bench.run_to(27s);
    CHECK(bench.link.all(state_topic).size() == said + 11);  // at once, and every 0.7 s
    CHECK(bench.rig.truth().loads[0].running);
    CHECK(bench.rig.truth().loads[0].operations == 1);
    bench.rig.set_relay_fault("ac", RelayFault::none);
    bench.run_to(30s);
    CHECK(bench.link.last(state_topic) == "ON");
}

TEST_CASE("a relay that must be refreshed opens when nobody does") {
    LoadPlan load = unit(small_unit());
    load.relay->drops_out_after = 30s;
    Bench bench(quiet_plan({load}));
    bench.command(0s, "ac", "ON");
    bench.command(20s, "ac", "ON");
    bench.run_to(50s);
    CHECK(bench.link.last(state_topic) == "ON");
    bench.run_to(50050ms);
    CHECK(bench.link.last(state_topic) == "OFF");
}

TEST_CASE("what is no command for a relay of ours is counted and ignored") {
    Bench bench(quiet_plan({unit(small_unit()), appliance(5, {})}));
    const std::string huge(1 << 20, 'N');
    bench.rig.received(beginning, {"rig/bench/relay/ac/set", "on", false});
    bench.rig.received(beginning, {"rig/bench/relay/ac/set", "", false});
    bench.rig.received(beginning, {"rig/bench/relay/ac/set", huge, false});
    bench.rig.received(beginning, {"rig/bench/relay/kettle/set", "ON", false});
    bench.rig.received(beginning, {"rig/other/relay/ac/set", "ON", false});
    bench.run_to(10s);
    CHECK(bench.rig.truth().refused_commands == 5);
    CHECK(bench.rig.truth().loads[0].operations == 0);
}

TEST_CASE("an unmanaged rig has no relays: every contact is closed, and no command counts") {
    RigPlan plan = quiet_plan({unit(small_unit())});
    plan.managed = false;
    Bench bench(plan);
    bench.command(5s, "ac", "OFF");
    bench.run_to(20s);
    CHECK(bench.rig.truth().loads[0].running);
    CHECK(bench.rig.truth().loads[0].operations == 0);
    CHECK(bench.link.all(state_topic).empty());
}

TEST_CASE("the rig lives on while its link is down, and says where things stand when it is up again") {
    Bench bench(quiet_plan({unit(small_unit())}));
    bench.command(0s, "ac", "ON");
    bench.link.up = false;
    bench.rig.link_down(beginning, "gone");
    bench.run_to(20s);
    CHECK(bench.rig.truth().loads[0].running);
    CHECK(bench.link.all(meter_topic).empty());
    bench.link.up = true;
    bench.rig.link_up(beginning + 20s);
    CHECK(bench.link.last(state_topic) == "ON");
    CHECK(bench.link.all("rig/bench/source").size() == 2);
}

TEST_CASE("a rig whose link is not up yet waits for it before it speaks") {
    RecordingLink link;
    link.up = false;
    {
        VirtualRig rig(quiet_plan({}), 1, link, beginning);
        CHECK(link.sent.empty());
        CHECK(link.listener == &rig);
        link.up = true;
        link.listener->link_up(beginning);
        CHECK(link.last("rig/bench/source") == "strong");
    }
    CHECK(link.listener == nullptr);
}

TEST_CASE("the same seed gives the same run however often it is advanced, another seed another") {
    const auto run = [](std::uint64_t seed, Duration stride) {
        RigPlan plan = demo_plan();
        plan.name = "bench";
        Bench bench(plan, seed);
        bench.command(1s, "front-ac", "ON");
        for (Duration t = 1s; t < 100s; t += stride)
            bench.run_to(t);
        bench.command(100s, "charger", "ON");
        bench.run_to(300s);
        return bench.link.sent;
    };
    const auto sent = run(42, 1ms);
    CHECK(sent.size() > 2900);
    CHECK(run(42, 77ms) == sent);
    CHECK(run(42, 99s) == sent);
    CHECK(run(43, 99s) != sent);
}

TEST_CASE("advancing to the next step the rig names is all it takes") {
    const auto run = [](bool by_hint) {
        Bench bench(quiet_plan({unit(small_unit())}));
        bench.command(0s, "ac", "ON");
        if (by_hint) {
            while (bench.rig.next_step() <= beginning + 30s)
                bench.rig.advance(bench.rig.next_step());
        } else {
            bench.run_to(30s);
        }
        return bench.link.sent;
    };
    CHECK(run(true) == run(false));
}

}  // namespace ampmarshal::virtual_rig
