// `ampmarshal trials --from-broker` as a person runs it: a real process, a real mosquitto, a scripted meter.
// Every wait is for a condition, with a limit.
#include <algorithm>
#include <csignal>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "tests/broker/child_program.h"
#include "tests/broker/private_broker.h"
#include "tests/broker/scripted_rig.h"
#include "tests/support/catch.h"

using namespace ampmarshal::tests;
using nlohmann::json;

namespace {

const std::string program = AMPMARSHAL_PATH;

bool has(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

std::string content(const std::string& path) {
    std::stringstream text;
    text << std::ifstream(path).rdbuf();
    return text.str();
}

json configuration(int port) {
    const auto from_meter = [](const char* pointer) {
        return json{{"topic", ScriptedRig::meter_topic}, {"pointer", pointer}};
    };
    return {{"rig", {{"id", "wren"}, {"name", "Wren"}}},
            {"broker", {{"port", port}}},
            {"sources", {{{"id", "pedestal"}, {"kind", "breaker"}, {"rating_a", 30}}}},
            {"present_source", {{"id", "pedestal"}}},
            {"meters",
             {{{"id", "main"},
               {"leg", "L1"},
               {"current", from_meter("/current")},
               {"voltage", from_meter("/voltage")},
               {"peak", from_meter("/peak")},
               {"period_ms", ScriptedRig::meter_period.count()},
               {"stale_after_ms", 5000}}}},
            {"loads",
             {{{"id", "compressor"},
               {"name", "Compressor"},
               {"rank", 1},
               {"control", "permitted"},
               {"minimum_off_s", 0},
               {"stages", {{{"start_a", 20}, {"start_window_s", 0.2}, {"running_a", 8}}}},
               {"switch", {{"topic", "rig/relay/compressor/set"}}}}}}};
}

struct Stand {
    Stand() {
        broker.start();
        std::ofstream(path("rig.jsonc")) << configuration(broker.port()).dump();
        rig.metering = true;
    }
    std::string path(const std::string& name) const { return (broker.directory() / name).string(); }
    void start(const std::vector<std::string>& more = {}) {
        std::vector<std::string> words{program,           "trials", "--from-broker",
                                       path("rig.jsonc"), "--load", "compressor"};
        words.insert(words.end(), more.begin(), more.end());
        child.emplace(words);
    }
    bool prints(const std::string& text) {
        return rig.until([&] { return has(child->printed(), text); });
    }
    int ends() {
        REQUIRE(rig.until([&] { return child->ended().has_value(); }));
        INFO(child->printed());
        return *child->ended();
    }
    void turn(bool on) {
        auto& compressor = rig.relays.at("compressor");
        compressor.closed = compressor.starting = on;
    }

    PrivateBroker broker;
    ScriptedRig rig{broker.port()};
    std::optional<ChildProgram> child;
};

}  // namespace

TEST_CASE("a person is guided through the starts, and they are saved as `ampmarshal trials` reads them") {
    Stand stand;
    stand.start({"--starts", "2", stand.path("t.csv")});
    REQUIRE(stand.prints("Start 1 of 2: leave everything else as it is, and start Compressor."));
    stand.turn(true);
    REQUIRE(stand.prints("Start 1: 1.0 A before, 21.0 A at its highest, 9.0 A running."));
    stand.turn(false);
    REQUIRE(stand.prints("Start 2 of 2"));
    stand.turn(true);
    CHECK(stand.ends() == 0);
    CHECK(has(stand.child->printed(), "2 of 2 starts are in '" + stand.path("t.csv") + "'"));
    const std::string row = "compressor,bare,119.50,1.00,,,21.00,9.00\n";
    CHECK(content(stand.path("t.csv")) ==
          "load,fitting,volts,before_a,fan_start_a,fan_running_a,start_a,running_a\n" + row + row);

    // Listens, and no more: whoever has the switches keeps them.
    CHECK(stand.rig.commands.empty());

    ChildProgram results({program, "trials", stand.path("t.csv"), "--json"});
    REQUIRE(stand.rig.until([&] { return results.ended().has_value(); }));
    CHECK(results.ended() == 0);
    CHECK(json::parse(results.printed())["fittings"].size() == 1);
}

TEST_CASE("starts are added to those of another day, and what was taken before an interruption is kept") {
    Stand stand;
    stand.turn(false);
    stand.start({"--starts", "1", stand.path("t.csv")});
    REQUIRE(stand.prints("Start 1 of 1"));
    stand.turn(true);
    CHECK(stand.ends() == 0);
    stand.turn(false);
    REQUIRE(
        stand.rig.until([&] { return has(stand.rig.last(ScriptedRig::meter_topic), R"("current":1.0)"); }));

    stand.start({"--fitting", "soft-start", stand.path("t.csv")});
    REQUIRE(stand.prints("Start 1 of 5"));
    stand.turn(true);
    REQUIRE(stand.prints("Now switch Compressor off."));
    stand.child->signal(SIGINT);
    CHECK(stand.ends() == 1);
    CHECK(has(stand.child->printed(), "ended early: 1 of 5 starts are in"));
    CHECK(
        has(content(stand.path("t.csv")),
            "\ncompressor,bare,119.50,1.00,,,21.00,9.00\ncompressor,soft-start,119.50,1.00,,,21.00,9.00\n"));
}

TEST_CASE("live trials say what is wrong with what they were given, with 2 and nothing touched") {
    Stand stand;
    stand.start({stand.path("t.csv"), stand.path("u.csv")});
    CHECK(stand.ends() == 2);
    CHECK(has(stand.child->printed(), "--from-broker wants one FILE"));

    std::ofstream(stand.path("notes.txt")) << "not a table\n";
    stand.start({stand.path("notes.txt")});
    CHECK(stand.ends() == 2);
    CHECK(has(stand.child->printed(), "is no file that this command wrote; name another one"));
    CHECK(content(stand.path("notes.txt")) == "not a table\n");

    stand.start({stand.path("t.csv"), "--fitting", "a,b"});
    CHECK(stand.ends() == 2);
    stand.start({stand.path("t.csv"), "--json"});
    CHECK(stand.ends() == 2);

    for (const auto& [config, load, told] : std::vector<std::tuple<std::string, std::string, std::string>>{
             {"rig.jsonc", "oven", R"("oven" is no load of this configuration; give one of compressor)"},
             {"none.jsonc", "oven", "none.jsonc: "}}) {
        stand.child.emplace(std::vector<std::string>{program, "trials", "--from-broker", stand.path(config),
                                                     "--load", load, stand.path("t.csv")});
        CHECK(stand.ends() == 2);
        INFO(stand.child->printed());
        CHECK(has(stand.child->printed(), told));
    }
    CHECK(content(stand.path("t.csv")).empty());
}

TEST_CASE("a start that cannot be saved ends the trials with 1") {
    Stand stand;
    stand.start({stand.path("no/such/t.csv")});
    REQUIRE(stand.prints("Start 1 of 5"));
    stand.turn(true);
    CHECK(stand.ends() == 1);
    CHECK(has(stand.child->printed(), "cannot write"));
}

TEST_CASE("live trials wait for a broker that is not there, and say so") {
    Stand stand;
    stand.broker.kill();
    stand.start({stand.path("t.csv")});
    REQUIRE(stand.prints("No connection to the broker: "));
    stand.broker.start();
    REQUIRE(stand.prints("Start 1 of 5"));
}
