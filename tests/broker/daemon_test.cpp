// The programs as they are installed: real processes, a real mosquitto, real signals. Every wait is for a
// condition, with a limit; that something does not happen is shown by what must come after it, or by a number
// of the daemon's own watchdog beats in which it did not. WATCHDOG_USEC asks for more beats than the daemon's
// loop has, so it tells every turn: five a second.
#include <sys/stat.h>

#include <algorithm>
#include <csignal>
#include <cstdio>
#include <exception>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <sstream>

#include "tests/broker/child_program.h"
#include "tests/broker/private_broker.h"
#include "tests/broker/scripted_rig.h"
#include "tests/broker/scripted_server.h"
#include "tests/support/catch.h"
#include "tests/support/homie_convention.h"

using namespace ampmarshal;
using namespace ampmarshal::tests;
using namespace std::chrono_literals;
using namespace std::string_literals;
using adapters::Delivery;
using nlohmann::json;

namespace {

const std::string daemon_path = AMPMARSHALD_PATH;
const std::string command_path = AMPMARSHAL_PATH;
const std::string device = "homie/5/wren/";

json relay(const std::string& load) {
    return {{"topic", "rig/relay/" + load + "/set"},
            {"feedback", {{"topic", "rig/relay/" + load + "/state"}}},
            {"latency_ms", 100}};
}

/// The scripted rig as a configuration; without rests, so that a test need not wait for them.
json configuration(int port) {
    const auto from_meter = [](const char* pointer) {
        return json{{"topic", ScriptedRig::meter_topic}, {"pointer", pointer}};
    };
    return {{"rig", {{"id", "wren"}, {"name", "Wren"}}},
            {"broker", {{"port", port}}},
            {"sources",
             {{{"id", "pedestal"}, {"kind", "breaker"}, {"rating_a", 30}},
              {{"id", "outlet"}, {"kind", "breaker"}, {"rating_a", 15}}}},
            {"present_source", {{"id", "pedestal"}, {"topic", "rig/source"}}},
            {"meters",
             {{{"id", "main"},
               {"leg", "L1"},
               {"current", from_meter("/current")},
               {"voltage", from_meter("/voltage")},
               {"peak", from_meter("/peak")},
               {"period_ms", ScriptedRig::meter_period.count()},
               {"stale_after_ms", 500}}}},
            {"loads",
             {{{"id", "compressor"},
               {"rank", 1},
               {"control", "permitted"},
               {"minimum_off_s", 0},
               {"minimum_on_s", 0},
               {"stages", {{{"start_a", 20}, {"start_window_s", 0.2}, {"running_a", 8}}}},
               {"switch", relay("compressor")}},
              {{"id", "heater"},
               {"rank", 2},
               {"control", "switched"},
               {"stages", {{{"start_a", 10}, {"running_a", 10}}}},
               {"switch", relay("heater")}}}},
            {"decisions", {{"restore_after_s", 0}}}};
}

bool has(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

std::string content(const std::filesystem::path& path) {
    std::stringstream text;
    text << std::ifstream(path).rdbuf();
    return text.str();
}

void write(const std::filesystem::path& path, const std::string& text) {
    std::ofstream(path) << text;
}

/// A broker, a scripted rig on it, and the daemon, which is started when the test says so.
struct Stand {
    explicit Stand(const std::string& access = "allow_anonymous true\n") { broker.start(access); }
    ~Stand() {
        if (std::uncaught_exceptions() > 0 && daemon)  // a REQUIRE has failed
            std::fprintf(stderr, "ampmarshald printed:\n%s", daemon->printed().c_str());
    }

    std::string file() const { return (broker.directory() / "rig.jsonc").string(); }
    void configure(const json& with) const { write(file(), with.dump()); }

    void start(std::vector<std::string> options = {}) {
        configure(config);
        options.insert(options.begin(), daemon_path);
        options.push_back(file());
        daemon.emplace(options, std::map<std::string, std::string>{{"NOTIFY_SOCKET", notify.path()},
                                                                   {"WATCHDOG_USEC", "300000"}});
    }

    bool until(const std::function<bool()>& condition, std::chrono::seconds patience = 30s) {
        // A service manager that does not read makes its daemons wait, so it must be read all the time.
        const auto both = [&] {
            notify.told("");
            return condition();
        };
        return rig.until(both, patience);
    }

    /// The daemon lives on for so many beats, and says that it is healthy.
    bool beats(std::size_t count) {
        const std::size_t from = notify.told("WATCHDOG=1");
        return until([&] { return notify.told("WATCHDOG=1") >= from + count; });
    }
    bool prints(const std::string& text, std::size_t times = 1) {
        return until([&] {
            const std::string& all = daemon->printed();
            std::size_t found = 0;
            for (auto at = all.find(text); at != std::string::npos; at = all.find(text, at + 1))
                ++found;
            return found >= times;
        });
    }
    bool shows(const std::string& property, const std::string& value) {
        return until([&] { return rig.last(device + property) == value; });
    }
    bool set(const std::string& property, const std::string& value) {
        return rig.publish(device + property + "/set", value);
    }
    std::optional<int> ends() {
        until([&] { return daemon->ended().has_value(); });
        return daemon->ended();
    }
    /// Up to the everyday state: everything is on, nothing is new.
    void settle() {
        REQUIRE(until([&] { return rig.connected(); }));
        rig.metering = true;
        start();
        REQUIRE(shows("compressor/state", "running"));
        REQUIRE(shows("heater/state", "running"));
    }

    PrivateBroker broker;
    NotifySocket notify{broker.directory() / "notify"};
    ScriptedRig rig{broker.port()};
    json config = configuration(broker.port());
    std::optional<ChildProgram> daemon;
};

/// Runs a program to its end, beside nothing else.
struct Finished {
    explicit Finished(const std::vector<std::string>& words) : program(words) {
        ScriptedRig idle(free_port());  // only passes the time
        REQUIRE(idle.until([&] { return program.ended().has_value(); }));
        code = *program.ended();
        printed = program.printed();
        INFO(printed);
    }
    ChildProgram program;
    int code;
    std::string printed;
};

/// The ids of the SUBSCRIBE packets in what an MQTT 5 client has sent (OASIS MQTT 5.0, 2.1 and 3.8).
std::vector<std::string> subscription_ids(const std::string& bytes) {
    std::vector<std::string> ids;
    std::size_t at = 0;
    while (at + 2 <= bytes.size()) {
        const auto type = static_cast<unsigned char>(bytes[at++]);
        std::size_t length = 0;
        std::size_t unit = 1;
        unsigned char digit = 128;
        for (; digit >= 128 && at < bytes.size(); unit *= 128) {
            digit = static_cast<unsigned char>(bytes[at++]);
            length += (digit % 128) * unit;
        }
        if (type == 0x82) ids.push_back(bytes.substr(at, 2));
        at += length;
    }
    return ids;
}

}  // namespace

// --- start ---

TEST_CASE(
    "the daemon publishes a valid Homie device and grants the loads once meters and switches are heard") {
    Stand stand;
    REQUIRE(stand.until([&] { return stand.rig.connected(); }));
    stand.rig.answering = false;
    stand.start();
    REQUIRE(stand.shows("$state", "ready"));
    REQUIRE(stand.until([&] { return stand.notify.told("READY=1") == 1; }));
    CHECK(stand.rig.all(device + "$state") == std::vector<std::string>{"init", "ready"});

    // The convention's own rules, on what the broker keeps for whoever comes later.
    ScriptedRig controller(stand.broker.port(), "controller");
    REQUIRE(controller.until([&] { return controller.publish("marker", "after what was kept"); }));
    REQUIRE(controller.until([&] { return !controller.last("marker").empty(); }));
    std::erase_if(controller.found, [](const auto& kept) { return !kept.first.starts_with(device); });
    const auto faults = homie_convention::device_faults(controller.found, "homie/5/wren");
    CAPTURE(faults);
    CHECK(faults.empty());

    // Everything is wanted, and nothing is heard: no meter, then no switch.
    REQUIRE(stand.shows("compressor/reason", "waits_for_meter"));
    REQUIRE(stand.until([&] { return stand.rig.told("heater", false) == 1; }));
    stand.rig.metering = true;
    REQUIRE(stand.shows("compressor/reason", "waits_for_switch"));
    CHECK(stand.rig.told("compressor", true) + stand.rig.told("heater", true) == 0);

    stand.rig.publish("rig/relay/compressor/state", "OFF");
    stand.rig.publish("rig/relay/heater/state", "OFF");
    stand.rig.answering = true;
    REQUIRE(stand.shows("compressor/state", "running"));
    REQUIRE(stand.shows("heater/state", "running"));
    CHECK(stand.rig.told("compressor", true) == 1);
    CHECK(stand.rig.told("heater", true) == 1);
    CHECK(stand.rig.last(device + "source/current-l1") == "19.0");
    CHECK(stand.notify.told("READY=1") == 1);
}

TEST_CASE("READY waits until the broker has confirmed every subscription, the watchdog does not") {
    ScriptedServer server;
    Stand stand;
    stand.config["broker"]["port"] = server.port();
    stand.start();
    REQUIRE(stand.until([&] { return server.accept(); }));
    server.say("\x20\x03\x00\x00\x00"s);  // CONNACK
    REQUIRE(stand.until([&] { return subscription_ids(server.heard()).size() == 6; }));
    const auto ids = subscription_ids(server.heard());
    for (std::size_t i = 0; i + 1 < ids.size(); ++i)
        server.say("\x90\x04"s + ids[i] + "\x00\x00"s);  // SUBACK
    REQUIRE(stand.beats(5));
    CHECK(stand.notify.told("READY=1") == 0);
    server.say("\x90\x04"s + ids.back() + "\x00\x00"s);
    REQUIRE(stand.until([&] { return stand.notify.told("READY=1") == 1; }));
}

TEST_CASE("the daemon outwaits a broker that is not there yet, and says what is missing") {
    Stand stand;
    stand.broker.kill();
    stand.rig.metering = true;
    stand.start();
    REQUIRE(stand.prints("does not answer (Connection refused): check that it runs, and its host and port"));
    REQUIRE(stand.beats(5));
    CHECK(stand.notify.told("READY=1") == 0);
    stand.broker.start();
    REQUIRE(stand.shows("heater/state", "running"));
    CHECK(stand.notify.told("READY=1") == 1);
}

TEST_CASE(
    "a host name that cannot be looked up is told with the remedy, and the daemon still stops as asked") {
    Stand stand;
    stand.config["broker"]["host"] = "no-such-host.invalid";  // RFC 2606, section 2: never to be found
    stand.start();
    REQUIRE(
        stand.prints("host name no-such-host.invalid cannot be looked up: check it, or give an IP address"));
    stand.daemon->signal(SIGTERM);
    CHECK(stand.ends() == 0);
}

TEST_CASE("a wrong password is told with the remedy, and SIGHUP takes the right one") {
    Stand stand;
    const auto directory = stand.broker.directory();
    const std::string passwords = (directory / "passwords").string();
    const std::string secret = (directory / "secret").string();
    REQUIRE(std::system(("mosquitto_passwd -b -c " + passwords + " wren right").c_str()) == 0);
    stand.broker.kill();
    stand.broker.start("allow_anonymous false\npassword_file " + passwords + "\n");
    stand.config["broker"]["username"] = "wren";
    stand.config["broker"]["password_file"] = secret;
    stand.start();
    REQUIRE(stand.prints("cannot read the password in '" + secret + "'"));
    REQUIRE(stand.prints("refuses us: check user name, password"));

    write(secret, "wrong\n");
    stand.daemon->signal(SIGHUP);
    REQUIRE(stand.prints("refuses us: check user name, password", 2));
    CHECK(stand.notify.told("READY=1") == 0);

    write(secret, "right\r\n");  // as an editor elsewhere may leave it
    stand.daemon->signal(SIGHUP);
    REQUIRE(stand.until([&] { return stand.notify.told("READY=1") == 1; }));
}

// --- losing the broker, losing the daemon ---

TEST_CASE(
    "after the broker was killed and restarted switches are told anew, but none starts before the meter") {
    Stand stand;
    stand.settle();
    stand.rig.metering = false;
    stand.broker.kill();
    REQUIRE(stand.prints("no connection to the broker"));
    REQUIRE(stand.beats(5));  // on its own it goes on living
    stand.rig.commands.clear();
    stand.rig.relays.at("heater").closed = false;  // a person was at it meanwhile
    stand.broker.start();
    REQUIRE(stand.prints("connected to the broker", 2));
    REQUIRE(stand.until([&] { return stand.rig.connected(); }));
    REQUIRE(stand.beats(15));
    CHECK(stand.rig.told("compressor", true) + stand.rig.told("heater", true) == 0);

    stand.rig.metering = true;
    REQUIRE(stand.until([&] { return stand.rig.on("heater"); }));
    CHECK(stand.rig.commands == std::vector<ScriptedRig::Command>{{"compressor", true}, {"heater", true}});
    CHECK(stand.notify.told("READY=1") == 1);
}

TEST_CASE("a daemon that was killed is called lost, and starts anew without trusting anything") {
    Stand stand;
    stand.settle();
    stand.rig.metering = false;
    stand.rig.commands.clear();
    stand.daemon->signal(SIGKILL);
    CHECK(stand.ends() == 128 + SIGKILL);
    REQUIRE(stand.shows("$state", "lost"));

    stand.start();
    REQUIRE(stand.shows("$state", "ready"));
    REQUIRE(stand.shows("source/metered-l1", "false"));
    REQUIRE(stand.beats(15));
    CHECK(stand.rig.told("compressor", true) + stand.rig.told("heater", true) == 0);
    stand.rig.metering = true;
    // What was on all the time was found on, from what the relays had left on the broker, and is told anew.
    REQUIRE(stand.until([&] { return stand.rig.commands.size() >= 2; }));
    REQUIRE(stand.beats(5));
    CHECK(stand.rig.commands == std::vector<ScriptedRig::Command>{{"compressor", true}, {"heater", true}});
}

TEST_CASE("what people set and what is locked out outlives a kill where a state file is named") {
    Stand stand;
    stand.config["state_file"] = (stand.broker.directory() / "state.sqlite").string();
    stand.settle();
    stand.rig.relays.at("heater").stuck = true;
    REQUIRE(stand.set("heater/demand", "false"));
    REQUIRE(stand.shows("heater/locked-out", "true"));
    REQUIRE(stand.set("compressor/prefer", "90"));
    REQUIRE(stand.set("compressor/hold", "true"));
    REQUIRE(stand.shows("compressor/hold", "true"));  // shown is kept, so nothing need be waited for
    stand.daemon->signal(SIGKILL);
    CHECK(stand.ends() == 128 + SIGKILL);
    REQUIRE(stand.shows("$state", "lost"));

    stand.rig.relays.at("heater") = {.start_a = 10, .running_a = 10};
    stand.rig.commands.clear();
    stand.start();
    REQUIRE(stand.shows("$state", "ready"));
    CHECK(stand.prints("what people had set before is in force again"));
    CHECK(stand.rig.last(device + "heater/demand") == "false");
    CHECK(stand.rig.last(device + "compressor/hold") == "true");
    CHECK(stand.rig.last(device + "compressor/prefer") == "90");
    REQUIRE(stand.shows("heater/locked-out", "true"));
    CHECK(stand.prints("alert disobedience: heater"));
    REQUIRE(stand.set("heater/demand", "true"));
    REQUIRE(stand.beats(15));
    CHECK(stand.rig.told("compressor", true) + stand.rig.told("heater", true) == 0);

    REQUIRE(stand.set("heater/acknowledge", "acknowledge"));
    REQUIRE(stand.shows("heater/state", "running"));
    REQUIRE(stand.set("compressor/hold", "false"));
    REQUIRE(stand.shows("compressor/state", "running"));
}

TEST_CASE("what starts have taught outlives a kill, and is forgotten for good when a person says so") {
    Stand stand;
    stand.config["state_file"] = (stand.broker.directory() / "state.sqlite").string();
    stand.settle();
    REQUIRE(stand.shows("compressor/starts-seen", "1"));  // the first is written before it shows
    const std::string usual = stand.rig.last(device + "compressor/usual-start");
    CHECK(usual == "20.0");
    const auto kill = [&] {
        stand.daemon->signal(SIGKILL);
        CHECK(stand.ends() == 128 + SIGKILL);
        REQUIRE(stand.shows("$state", "lost"));
        stand.rig.metering = false;
        for (const char* property : {"compressor/starts-seen", "compressor/usual-start"})
            REQUIRE(stand.rig.publish(device + property, "", Delivery::state));
        REQUIRE(stand.shows("compressor/usual-start", ""));
        stand.start();
        REQUIRE(stand.shows("$state", "ready"));
    };
    kill();
    CHECK(stand.prints("what their starts had taught is known again: compressor"));
    CHECK(stand.rig.last(device + "compressor/starts-seen") == "1");
    CHECK(stand.rig.last(device + "compressor/usual-start") == usual);

    REQUIRE(stand.set("compressor/forget", "forget"));
    REQUIRE(stand.shows("compressor/forget", "forget"));
    kill();
    CHECK(stand.rig.last(device + "compressor/starts-seen") == "0");
    CHECK(stand.rig.last(device + "compressor/usual-start").empty());
}

TEST_CASE(
    "what starts have taught is written at a clean stop, and counts while the figures are those of then") {
    Stand stand;
    stand.config["state_file"] = (stand.broker.directory() / "state.sqlite").string();
    const auto stop = [&] {
        stand.daemon->signal(SIGTERM);
        CHECK(stand.ends() == 0);
        REQUIRE(stand.shows("$state", "disconnected"));
    };
    stand.settle();
    REQUIRE(stand.shows("heater/starts-seen", "1"));  // soon after the compressor's: not written yet
    stop();
    stand.rig.metering = false;
    stand.config["loads"][0]["stages"][0]["start_a"] = 21;
    stand.start();
    REQUIRE(stand.shows("$state", "ready"));
    CHECK(
        stand.prints("what the starts of compressor (stage 1) had taught is forgotten: other figures are "
                     "configured now"));
    CHECK(stand.prints("what their starts had taught is known again: heater"));
    CHECK(stand.rig.last(device + "compressor/starts-seen") == "0");
    CHECK(stand.rig.last(device + "heater/starts-seen") == "1");
    stop();
    stand.config["loads"].erase(1);
    stand.start();
    REQUIRE(stand.shows("$state", "ready"));
    CHECK(stand.prints("what was kept of 'heater' is forgotten: it is no load any more"));
}

TEST_CASE("a state file that cannot be used is told of and left alone, and the rig is kept all the same") {
    Stand stand;
    const auto path = stand.broker.directory() / "state.sqlite";
    write(path, "my shopping list");
    stand.config["state_file"] = path.string();
    stand.settle();
    CHECK(stand.prints("nothing more is kept over a restart: '" + path.string() + "' cannot be used"));
    REQUIRE(stand.set("heater/hold", "true"));
    REQUIRE(stand.shows("heater/hold", "true"));
    CHECK(content(path) == "my shopping list");

    // The remedy, without a restart.
    const auto better = stand.broker.directory() / "better.sqlite";
    stand.config["state_file"] = better.string();
    stand.configure(stand.config);
    stand.daemon->signal(SIGHUP);
    REQUIRE(stand.until([&] { return content(better).starts_with("SQLite format 3"); }));
    CHECK_FALSE(stand.daemon->ended());
}

TEST_CASE("what an earlier life left on the broker is of unknown age and starts nothing") {
    Stand stand;
    REQUIRE(stand.until([&] { return stand.rig.connected(); }));
    const std::pair<std::string, std::string> left[] = {
        {ScriptedRig::meter_topic, R"({"current":1,"voltage":120,"peak":1})"},
        {"rig/relay/compressor/state", "OFF"},
        {"rig/relay/heater/state", "OFF"},
        {"rig/source", "pedestal"},
        {device + "compressor/demand/set", "true"},
        {device + "$alert/stall-heater", "an old one"},
    };
    for (const auto& [topic, payload] : left)
        REQUIRE(stand.rig.publish(topic, payload, Delivery::state));
    REQUIRE(stand.until([&] { return stand.rig.last(left[5].first) == left[5].second; }));

    stand.config["present_source"]["id"] = "outlet";
    stand.config["loads"][0]["wanted"] = false;
    stand.rig.answering = false;
    stand.start();
    REQUIRE(stand.prints("a retained command is of unknown age"));
    REQUIRE(stand.prints("is a retained message of unknown age"));
    REQUIRE(stand.until([&] { return stand.rig.last(left[5].first).empty(); }));
    // A retained choice may not widen the source.
    CHECK(stand.rig.last(device + "source/present") == "outlet");
    CHECK(stand.rig.last(device + "compressor/demand") == "false");
    CHECK(stand.rig.last(device + "source/metered-l1") == "false");
    stand.rig.metering = true;
    REQUIRE(stand.shows("heater/reason", "waits_for_switch"));
    REQUIRE(stand.beats(5));
    CHECK(stand.rig.told("compressor", true) + stand.rig.told("heater", true) == 0);
}

TEST_CASE("a retained choice of source is taken where it makes the limits tighter") {
    Stand stand;
    REQUIRE(stand.until([&] { return stand.rig.connected(); }));
    REQUIRE(stand.rig.publish("rig/source", "outlet", Delivery::state));
    stand.start();
    REQUIRE(stand.shows("source/present", "outlet"));
    REQUIRE(stand.rig.publish("rig/source", "pedestal"));
    REQUIRE(stand.shows("source/present", "pedestal"));
}

// --- what others send ---

TEST_CASE("garbage on every topic neither ends the daemon nor switches anything on") {
    Stand stand;
    REQUIRE(stand.until([&] { return stand.rig.connected(); }));
    stand.start();
    REQUIRE(stand.shows("$state", "ready"));
    REQUIRE(stand.until([&] { return stand.rig.commands.size() == 2; }));
    stand.rig.commands.clear();

    const std::vector<std::string> garbage{
        "",
        "\0\xff\xfe\x80\x01"s,
        "NaN",
        "-5",
        "1e999",
        "null",
        "on",
        "ON ",
        std::string(60'000, '9'),
        std::string(200'000, 'x'),
        std::string(30'000, '['),
        R"({"current":NaN})",
        R"({"current":-9,"peak":-9})",
        R"({"current":1e400})",
        R"({"current":4000,"voltage":119})",
        R"({"current":{"current":1}})",
        R"({"current":"one","voltage":[]})",
        R"({"current":)" + std::string(20'000, '['),
    };
    const std::vector<std::string> topics{
        ScriptedRig::meter_topic,          "rig/relay/compressor/state",
        "rig/relay/heater/state",          "rig/source",
        device + "compressor/demand/set",  device + "heater/hold/set",
        device + "heater/acknowledge/set", device + "heater/state/set",
        device + "source/present/set",     device + "no-node/no-property/set",
        device + "$alert/garbage"};
    for (const std::string& topic : topics)
        for (const std::string& payload : garbage)
            stand.rig.publish(topic, payload);
    REQUIRE(stand.set("heater/hold", "true"));  // comes after all that
    REQUIRE(stand.shows("heater/hold", "true"));
    REQUIRE(stand.beats(5));
    CHECK(stand.rig.told("compressor", true) + stand.rig.told("heater", true) == 0);
    CHECK(stand.rig.last(device + "source/metered-l1") == "false");
    CHECK(stand.rig.last(device + "source/present") == "pedestal");
    CHECK_FALSE(stand.daemon->ended());

    // It has not lost its way either.
    REQUIRE(stand.set("heater/hold", "false"));
    stand.rig.metering = true;
    REQUIRE(stand.shows("heater/state", "running"));
}

TEST_CASE("demand, hold and the source can be set, and show what holds afterwards") {
    Stand stand;
    stand.settle();
    REQUIRE(stand.set("heater/demand", "false"));
    REQUIRE(stand.shows("heater/demand", "false"));
    REQUIRE(stand.shows("heater/state", "off"));
    CHECK_FALSE(stand.rig.on("heater"));
    REQUIRE(stand.set("heater/demand", "true"));
    REQUIRE(stand.shows("heater/demand", "true"));
    REQUIRE(stand.shows("heater/state", "running"));

    REQUIRE(stand.set("compressor/hold", "true"));
    REQUIRE(stand.shows("compressor/hold", "true"));
    REQUIRE(stand.until([&] { return !stand.rig.on("compressor"); }));
    CHECK(stand.rig.on("heater"));
    REQUIRE(stand.set("compressor/hold", "false"));
    REQUIRE(stand.shows("compressor/state", "running"));

    // 8 A and 10 A are too much for 15 A: the lower rank goes.
    REQUIRE(stand.set("source/present", "outlet"));
    REQUIRE(stand.shows("source/present", "outlet"));
    REQUIRE(stand.until([&] { return !stand.rig.on("heater"); }));
    CHECK(stand.rig.on("compressor"));
    REQUIRE(stand.shows("heater/state", "shed"));
    REQUIRE(stand.set("source/present", "pedestal"));
    REQUIRE(stand.shows("heater/state", "running"));
}

TEST_CASE("a load that does not obey is locked out until a person acknowledges") {
    Stand stand;
    stand.settle();
    stand.rig.relays.at("heater").stuck = true;
    REQUIRE(stand.set("heater/demand", "false"));
    REQUIRE(stand.shows("heater/locked-out", "true"));
    CHECK_FALSE(stand.rig.last(device + "$alert/disobedience-heater").empty());
    REQUIRE(stand.set("heater/demand", "true"));
    stand.rig.relays.at("heater") = {.start_a = 10, .running_a = 10};
    REQUIRE(stand.beats(5));
    CHECK_FALSE(stand.rig.on("heater"));

    REQUIRE(stand.set("heater/acknowledge", "acknowledge"));
    REQUIRE(stand.shows("heater/acknowledge", "acknowledge"));
    REQUIRE(stand.shows("heater/locked-out", "false"));
    REQUIRE(stand.shows("heater/state", "running"));
    CHECK(stand.rig.last(device + "$alert/disobedience-heater").empty());
}

// --- every day ---

TEST_CASE("in steady operation nothing is commanded or published again and again") {
    Stand stand;
    stand.settle();
    const auto published = [&] {
        std::size_t count = 0;
        for (const char* property : {"heater/state", "heater/reason", "heater/sentence",
                                     "compressor/sentence", "source/current-l1", "$state", "$description"})
            count += stand.rig.all(device + property).size();
        return count;
    };
    REQUIRE(stand.beats(10));
    stand.rig.commands.clear();
    const std::size_t before = published();
    REQUIRE(stand.beats(25));
    CHECK(stand.rig.commands.empty());
    CHECK(published() <= before + 3);
}

TEST_CASE("a relay with a timer of its own is told on again and again, the others are not") {
    Stand stand;
    stand.config["loads"][1]["switch"]["refresh_s"] = 1;
    stand.settle();
    stand.rig.commands.clear();
    REQUIRE(stand.until([&] { return stand.rig.commands.size() == 3; }));
    CHECK(stand.rig.told("heater", true) == 3);
}

TEST_CASE("Only observing, it publishes and says what it would do, and commands nothing") {
    Stand stand;
    REQUIRE(stand.until([&] { return stand.rig.connected(); }));
    for (const char* load : {"compressor", "heater"})
        stand.rig.publish("rig/relay/"s + load + "/state", "OFF", Delivery::state);
    stand.rig.metering = true;
    const auto state_file = stand.broker.directory() / "state.sqlite";
    stand.config["state_file"] = state_file.string();
    stand.start({"--observe"});
    REQUIRE(stand.prints("compressor: would grant"));
    REQUIRE(stand.shows("$state", "ready"));
    stand.daemon->signal(SIGTERM);
    CHECK(stand.ends() == 0);
    REQUIRE(stand.shows("$state", "disconnected"));
    CHECK(stand.rig.commands.empty());
    CHECK_FALSE(has(stand.daemon->printed(), "told to stop"));
    CHECK_FALSE(std::filesystem::exists(state_file));
}

TEST_CASE("a virtual rig is served without a trip by the daemon with the demo's configuration") {
    Stand stand;
    stand.config = json::parse(content(AMPMARSHAL_DEMO_RIG), nullptr, true, true);
    stand.config["broker"]["port"] = stand.broker.port();
    const std::string summary = (stand.broker.directory() / "summary.json").string();
    stand.start();
    ChildProgram rig({command_path, "rig", "--port", std::to_string(stand.broker.port()), "--seed", "7",
                      "--seconds", "30", "--summary", summary});
    REQUIRE(stand.until([&] { return rig.ended().has_value(); }, 60s));
    INFO(rig.printed());
    CHECK(rig.ended() == 0);
    const json truth = json::parse(content(summary));
    CHECK(truth["trips"] == 0);
    CHECK(truth["overlaps_beyond_limit"] == 0);
    CHECK(truth["starts"].get<int>() >= 2);
    CHECK(truth["seed"] == 7);
}

// --- signals ---

TEST_CASE("SIGTERM tells every load to stop and says goodbye") {
    Stand stand;
    stand.settle();
    stand.rig.commands.clear();
    stand.daemon->signal(SIGTERM);
    CHECK(stand.ends() == 0);
    REQUIRE(stand.shows("$state", "disconnected"));
    CHECK(stand.rig.commands == std::vector<ScriptedRig::Command>{{"compressor", false}, {"heater", false}});
    CHECK(stand.notify.told("STOPPING=1") == 1);
    CHECK(stand.prints("every load was told to stop"));
    const auto states = stand.rig.all(device + "$state");
    CHECK(std::count(states.begin(), states.end(), "lost") == 0);
}

TEST_CASE("SIGTERM leaves every switch as it is where the configuration says so") {
    Stand stand;
    stand.config["on_stop"] = "leave";
    stand.settle();
    stand.rig.commands.clear();
    stand.daemon->signal(SIGINT);
    CHECK(stand.ends() == 0);
    REQUIRE(stand.shows("$state", "disconnected"));
    CHECK(stand.rig.commands.empty());
    CHECK(stand.rig.on("heater"));
}

TEST_CASE("SIGTERM without a broker admits that nobody could be told") {
    Stand stand;
    stand.settle();
    stand.broker.kill();
    REQUIRE(stand.prints("no connection to the broker"));
    stand.daemon->signal(SIGTERM);
    CHECK(stand.ends() == 0);
    CHECK(stand.prints("could not be told to stop"));
    CHECK_FALSE(has(stand.daemon->printed(), "every load was told to stop"));
}

TEST_CASE("SIGHUP puts a new configuration in force and leaves the loads as they are") {
    Stand stand;
    stand.settle();
    stand.rig.commands.clear();
    const auto version = [&] {
        return json::parse(stand.rig.last(device + "$description"))["version"].get<long>();
    };
    long before = version();
    // Twice within the same second, too, the version of the description rises.
    for (const char* name : {"Wren the second", "Wren the third"}) {
        stand.config["rig"]["name"] = name;
        stand.configure(stand.config);
        stand.daemon->signal(SIGHUP);
        REQUIRE(stand.until([&] { return has(stand.rig.last(device + "$description"), name); }));
        CHECK(version() > before);
        before = version();
    }
    REQUIRE(stand.shows("$state", "ready"));
    REQUIRE(stand.until([&] { return stand.rig.commands.size() >= 2; }));
    REQUIRE(stand.beats(5));
    CHECK(stand.rig.commands == std::vector<ScriptedRig::Command>{{"compressor", true}, {"heater", true}});
    CHECK(stand.notify.told("READY=1") == 1);
    const auto states = stand.rig.all(device + "$state");
    CHECK(std::count(states.begin(), states.end(), "lost") == 0);
}

TEST_CASE("a warning about the configuration is told at the start, and at a reload only when it is new") {
    Stand stand;
    stand.config["meters"][0].erase("peak");
    stand.config["loads"][0]["stages"][0]["start_window_s"] = 0.1;
    stand.start();
    REQUIRE(stand.prints(
        "/meters/0: with a reading every 50 ms it cannot see how high these start: compressor;"));
    REQUIRE(stand.prints("connected to the broker"));
    stand.config["sources"][0]["steady_share"] = 1;
    stand.configure(stand.config);
    stand.daemon->signal(SIGHUP);
    REQUIRE(stand.prints("/sources/0/steady_share: "));
    REQUIRE(stand.prints("connected to the broker", 2));
    const std::string printed = stand.daemon->printed();
    const auto first = printed.find("it cannot see how high");
    CHECK(printed.find("it cannot see how high", first + 1) == std::string::npos);
}

TEST_CASE("SIGHUP with a faulty configuration keeps the old one and tells every mistake") {
    Stand stand;
    stand.settle();
    stand.rig.commands.clear();
    stand.config["sources"][0]["rating_a"] = -30;
    stand.config["loads"][1]["control"] = "magic";
    stand.configure(stand.config);
    stand.daemon->signal(SIGHUP);
    REQUIRE(stand.prints("the old one stays"));
    CHECK(has(stand.daemon->printed(), "/sources/0/rating_a"));
    CHECK(has(stand.daemon->printed(), "/loads/1/control"));

    REQUIRE(std::filesystem::remove(stand.file()));
    stand.daemon->signal(SIGHUP);
    REQUIRE(stand.prints("the old one stays", 2));
    CHECK(has(stand.daemon->printed(), "cannot be read: No such file or directory"));
    CHECK(stand.rig.commands.empty());
    REQUIRE(stand.set("heater/demand", "false"));
    REQUIRE(stand.until([&] { return !stand.rig.on("heater"); }));
    CHECK(stand.rig.all(device + "$state").back() == "ready");
}

// --- the log ---

TEST_CASE("the log carries the journal's own severities only if standard error is the journal's stream") {
    // systemd.exec(5), JOURNAL_STREAM; sd-daemon(3): a line begins with its syslog severity in angle
    // brackets.
    Stand stand;
    stand.config["broker"]["port"] = free_port();
    stand.configure(stand.config);
    const std::string run = " exec " + daemon_path + ' ' + stand.file();
    stand.daemon.emplace(std::vector<std::string>{
        "/bin/sh", "-c",
        "JOURNAL_STREAM=$(stat -L -c %d:%i /proc/self/fd/2) && export JOURNAL_STREAM &&" + run});
    REQUIRE(stand.prints("<4>no connection to the broker"));
    stand.daemon->signal(SIGTERM);
    REQUIRE(stand.ends() == 0);

    stand.daemon.emplace(std::vector<std::string>{"/bin/sh", "-c", "export JOURNAL_STREAM=1:2 &&" + run});
    REQUIRE(stand.prints(" warning: no connection to the broker"));
    CHECK_FALSE(has(stand.daemon->printed(), "<4>"));
}

// --- command lines ---

TEST_CASE("A check tells every mistake and its place, or that there is none") {
    const PrivateBroker place;  // only for its directory
    const auto file = (place.directory() / "rig.jsonc").string();
    json config = configuration(1883);
    write(file, config.dump());
    const Finished good({daemon_path, "--check", file});
    CHECK(good.code == 0);
    CHECK(has(good.printed, "no mistakes; 2 loads, 2 sources"));

    config["rig"]["legs"] = 3;
    config["meters"][0]["period_ms"] = "often";
    config["loads"][0].erase("rank");
    config["lodes"] = json::array();
    write(file, config.dump());
    const Finished faulty({daemon_path, "--check", file});
    CHECK(faulty.code == 2);
    for (const char* pointer : {"/rig/legs", "/meters/0/period_ms", "/loads/0/rank", "/lodes"})
        CHECK(has(faulty.printed, pointer));

    const Finished absent({daemon_path, "--check", file + ".absent"});
    CHECK(absent.code == 2);
    CHECK(has(absent.printed, "No such file or directory"));
}

TEST_CASE("a command line that is wrong ends with 2, help and version with 0") {
    CHECK(Finished({daemon_path, "--no-such-option"}).code == 2);
    CHECK(Finished({daemon_path, "--help"}).code == 0);
    CHECK(Finished({daemon_path, "--version"}).code == 0);
    CHECK(Finished({command_path}).code == 2);
    CHECK(Finished({command_path, "--version"}).code == 0);
    CHECK(Finished({command_path, "rig", "--port", "0"}).code == 2);
    const Finished fast({command_path, "rig", "--speed", "10"});
    CHECK(fast.code == 2);
    CHECK(has(fast.printed, "--unmanaged"));
}

// --- ampmarshal rig ---

TEST_CASE("the virtual rig publishes its meter, obeys its relays and tells the truth at the end") {
    Stand stand;
    const std::string summary = (stand.broker.directory() / "summary.json").string();
    ChildProgram rig({command_path, "rig", "--port", std::to_string(stand.broker.port()), "--seed", "3",
                      "--summary", summary});
    const auto reading_a = [&] {
        const json reading = json::parse(stand.rig.last("rig/demo/meter/l1"), nullptr, false);
        return reading.is_object() ? reading["current"].get<double>() : 0.0;
    };
    REQUIRE(stand.until([&] { return reading_a() > 0; }));
    CHECK(reading_a() < 5);
    // The charger draws 7.4 A of its own accord.
    stand.rig.relays["charger"] = {};
    REQUIRE(stand.rig.publish("rig/demo/relay/charger/set", "ON"));
    REQUIRE(stand.until([&] { return stand.rig.last("rig/demo/relay/charger/state") == "ON"; }));
    REQUIRE(stand.until([&] { return reading_a() > 7; }));
    REQUIRE(stand.rig.publish("rig/demo/relay/charger/set", "OFF"));
    REQUIRE(stand.until([&] { return stand.rig.last("rig/demo/relay/charger/state") == "OFF"; }));
    REQUIRE(stand.until([&] { return reading_a() < 5; }));

    rig.signal(SIGTERM);
    REQUIRE(stand.until([&] { return rig.ended().has_value(); }));
    INFO(rig.printed());
    CHECK(rig.ended() == 0);
    CHECK(has(rig.printed(), "seed 3"));
    CHECK(has(rig.printed(), "charger: contact closed"));
    const json truth = json::parse(content(summary));
    for (const char* key : {"trips", "starts", "overlaps_beyond_limit", "worst_a", "least_time_to_trip_s",
                            "loads_served", "seed"})
        CHECK(truth.contains(key));
    CHECK(truth["trips"] == 0);
    CHECK(truth["worst_a"].get<double>() > 7);
}

TEST_CASE("without ampmarshal the virtual rig trips its breaker, as fast as one likes, and ends there") {
    PrivateBroker broker;
    broker.start();
    const std::string summary = (broker.directory() / "summary.json").string();
    const Finished run({command_path, "rig", "--port", std::to_string(broker.port()), "--seed", "7",
                        "--unmanaged", "--speed", "50", "--seconds", "600", "--summary", summary});
    CHECK(run.code == 0);
    CHECK(has(run.printed, "TRIPPED"));
    CHECK(json::parse(content(summary))["trips"] == 1);
}

TEST_CASE("a summary that cannot be written is told before the rig runs, with 1") {
    const Finished run(
        {command_path, "rig", "--port", std::to_string(free_port()), "--summary", "/no/such/folder/s"});
    CHECK(run.code == 1);
    CHECK(has(run.printed, "cannot write '/no/such/folder/s'; name a file in a folder you may write to"));
    CHECK_FALSE(has(run.printed, "rig | seed"));
    const Finished full({command_path, "rig", "--port", std::to_string(free_port()), "--seconds", "1",
                         "--summary", "/dev/full"});
    CHECK(full.code == 1);
    CHECK(has(full.printed, "cannot write '/dev/full'"));
}

TEST_CASE("the virtual rig says so when there is no broker") {
    const std::string port = std::to_string(free_port());
    const Finished run({command_path, "rig", "--port", port, "--seconds", "2"});
    CHECK(run.code == 0);
    CHECK(has(run.printed, "the broker at 127.0.0.1:" + port + " does not answer"));
}
