// The Homie device by itself: a small made-up device on a link that retains like a broker. What is valid is
// judged by support/homie_convention.h, which is written from the convention.
#include "adapters/homie.h"

#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>

#include "tests/support/catch.h"
#include "tests/support/homie_convention.h"
#include "tests/support/retaining_link.h"

namespace {

using namespace ampmarshal;
using namespace ampmarshal::adapters::homie;
using namespace std::chrono_literals;
using adapters::Delivery;
using tests::RetainingLink;
namespace convention = tests::homie_convention;

const convention::Faults no_faults;

constexpr std::string_view zero_byte{"\0", 1};
const std::string base = "homie/5/shed";

rules::Instant at(rules::Duration d) {
    return rules::Instant(d);
}

struct Lamp {
    explicit Lamp(std::int64_t version = 7) : device({"homie", "shed", "The shed", version}) {
        const auto node = device.add_node("lamp", "Lamp", "light");
        on = device.add_property(node, {.id = "on",
                                        .name = "On",
                                        .datatype = Datatype::boolean,
                                        .format = "dark,lit",
                                        .settable = true});
        level = device.add_property(node, {.id = "level",
                                           .name = "Level",
                                           .datatype = Datatype::integer,
                                           .format = "0:100",
                                           .unit = "%",
                                           .settable = true});
        current = device.add_property(node, {.id = "current",
                                             .name = "Current",
                                             .datatype = Datatype::floating,
                                             .unit = "A",
                                             .at_most_every = 500ms,
                                             .at_once_from = 5});
        mode = device.add_property(node, {.id = "mode",
                                          .name = "Mode",
                                          .datatype = Datatype::enumeration,
                                          .format = "steady,slow blink",
                                          .settable = true});
        label = device.add_property(
            node, {.id = "label", .name = "Label", .datatype = Datatype::string, .settable = true});
        pressed = device.add_property(node, {.id = "pressed",
                                             .name = "Pressed",
                                             .datatype = Datatype::enumeration,
                                             .format = "short,long",
                                             .settable = true,
                                             .retained = false});
        target = device.add_property(node, {.id = "target",
                                            .name = "Target",
                                            .datatype = Datatype::floating,
                                            .format = "-1.5:",
                                            .settable = true});
    }

    /// The value of a set message if it was taken, nothing if it was refused.
    std::optional<std::string> set(const std::string& property, std::string_view payload,
                                   bool retained = false) {
        const std::string topic = base + "/lamp/" + property + "/set";
        const Incoming incoming = device.received({topic, payload, retained});
        if (const auto* command = std::get_if<Command>(&incoming)) return command->value;
        REQUIRE(std::holds_alternative<Refused>(incoming));
        const std::string why = std::get<Refused>(incoming).why;
        CHECK(why.size() < 300);
        CHECK(why.find('\n') == std::string::npos);
        return std::nullopt;
    }

    Device device;
    PropertyIndex on{}, level{}, current{}, mode{}, label{}, pressed{}, target{};
};

}  // namespace

TEST_CASE("an id is made of a-z, 0-9 and '-', and the fault says so", "[homie]") {
    // Homie convention v5, "Topic IDs".
    CHECK(id_fault("front-ac2").empty());
    CHECK(id_fault(std::string(64, 'a')).empty());
    for (const std::string id :
         {"", "Front", "front_ac", "front ac", "front/ac", "+", "$state", "caf\xc3\xa9"}) {
        INFO(id);
        CHECK(id_fault(id).find("a-z, 0-9 and '-'") != std::string::npos);
    }
    CHECK_FALSE(id_fault(std::string(65, 'a')).empty());
}

TEST_CASE("the check by the convention has teeth", "[homie]") {
    const auto faults = [](const std::string& property) {
        return convention::description_faults(
            R"({"homie":"5.0","version":1,"name":"x","nodes":{"n":{"properties":{)" + property + "}}}}");
    };
    CHECK(faults(R"("p":{"name":"P","datatype":"enum","format":"a,b"})").empty());
    CHECK(faults(R"("p":{"name":"P","datatype":"enum"})").size() == 1);
    CHECK(faults(R"("p":{"name":"P","datatype":"double"})").size() == 1);
    CHECK(faults(R"("p":{"name":"P","datatype":"boolean","format":"yes"})").size() == 1);
    CHECK(faults(R"("p":{"name":"P","datatype":"float","format":"0-5"})").size() == 1);
    CHECK(faults(R"("p_q":{"name":"P","datatype":"float"})").size() == 1);
    CHECK(faults(R"("p":{"name":"P","datatype":"float","settable":"yes"})").size() == 1);
    CHECK(convention::description_faults(R"({"homie":"5","version":1.5,"name":""})").size() == 3);
    const std::string device = R"({"homie":"5.0","version":1,"name":"x","nodes":{"n":{"properties":{)"
                               R"("p":{"name":"P","datatype":"integer","format":"0:9"}}}}})";
    CHECK(convention::device_faults({{"d/$description", device}, {"d/n/p", "9"}}, "d").empty());
    for (const char* topic : {"d/n/q", "d/m/p", "d/n/p/q", "e/n/p", "d/$state", "d/$alert/A"}) {
        CHECK(convention::device_faults({{"d/$description", device}, {topic, "9"}}, "d").size() == 1);
    }
    CHECK(convention::device_faults({{"d/$description", device}, {"d/n/p", "10"}}, "d").size() == 1);
}

TEST_CASE("the description is valid by the convention and complete", "[homie]") {
    const Lamp lamp;
    CHECK(convention::description_faults(lamp.device.description()) == no_faults);
    const auto d = nlohmann::json::parse(lamp.device.description());
    CHECK(d["version"] == 7);
    CHECK(d["name"] == "The shed");
    const auto& properties = d["nodes"]["lamp"]["properties"];
    CHECK(properties["on"] ==
          nlohmann::json::parse(R"({"name":"On","datatype":"boolean","format":"dark,lit","settable":true})"));
    CHECK(properties["current"] ==
          nlohmann::json::parse(R"({"name":"Current","datatype":"float","unit":"A"})"));
    CHECK(properties["pressed"]["retained"] == false);
}

TEST_CASE("a name that is not UTF-8 still gives a description that is", "[homie]") {
    const Device device({"homie", "shed",
                         "sh\xff"
                         "ed",
                         1});
    CHECK(convention::description_faults(device.description()) == no_faults);
}

TEST_CASE("numbers are written with '.', without exponent, and never as -0", "[homie]") {
    CHECK(decimal(12.34, 1) == "12.3");
    CHECK(decimal(-0.04, 1) == "0.0");
    CHECK(decimal(1e6, 1) == "1000000.0");
    CHECK(decimal(-12.25, 0) == "-12");
    CHECK(decimal(-12.006, 2) == "-12.01");
    CHECK(decimal(0.5, 4) == "0.5000");
    CHECK(decimal(3e12, 1) == "3000000000000.0");
    CHECK(decimal(std::numeric_limits<double>::infinity(), 1).empty());
    CHECK(decimal(std::nan(""), 1).empty());
    CHECK(decimal(1e300, 1).empty());  // longer than any reading
}

TEST_CASE("at every connection: init, description, values, alerts, then ready", "[homie]") {
    // Homie convention v5, "Device lifecycle".
    Lamp lamp;
    RetainingLink link;
    lamp.device.put(lamp.on, "true");
    lamp.device.raise_alert("hot", "The lamp is hot");
    for (int connection = 0; connection < 2; ++connection) {
        link.forget();
        link.retained.clear();  // a broker that lost everything
        lamp.device.link_up(at(0s), link);
        REQUIRE(link.sent.size() > 4);
        CHECK(link.sent[0].topic == base + "/$state");
        CHECK(link.sent[0].payload == "init");
        CHECK(link.sent[1].topic == base + "/$description");
        CHECK(link.sent.back().topic == base + "/$state");
        CHECK(link.sent.back().payload == "ready");
        for (const auto& sent : link.sent)
            CHECK(sent.delivery == Delivery::state);
        CHECK(link.kept(base + "/lamp/on") == "true");
        CHECK(link.kept(base + "/$alert/hot") == "The lamp is hot");
        CHECK(convention::device_faults(link.retained, base) == no_faults);
    }
}

TEST_CASE("a value left by an earlier run is removed if nothing is known now", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    link.retained[base + "/lamp/current"] = "12.0";
    lamp.device.link_up(at(0s), link);
    CHECK(link.kept(base + "/lamp/current") == std::nullopt);
}

TEST_CASE("nothing is announced as ready until everything before it was sent", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.put(lamp.on, "true");
    lamp.device.raise_alert("hot", "The lamp is hot");
    RetainingLink whole;
    Lamp same;
    same.device.put(same.on, "true");
    same.device.raise_alert("hot", "The lamp is hot");
    same.device.link_up(at(0s), whole);
    for (std::size_t sent = 0; sent < whole.sent.size(); ++sent) {
        link.retained.clear();
        link.accepts = sent;
        lamp.device.link_up(at(0s), link);
        CHECK(link.kept(base + "/$state") != "ready");
    }
    link.accepts.reset();
    lamp.device.flush(at(1s), link);  // the next flush takes it up again
    CHECK(link.retained == whole.retained);
}

TEST_CASE("while the link is down nothing is tried, and nothing is forgotten", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    link.up = false;
    lamp.device.put(lamp.on, "true");
    lamp.device.put(lamp.pressed, "short");
    lamp.device.raise_alert("hot", "The lamp is hot");
    lamp.device.flush(at(1s), link);
    link.up = true;
    lamp.device.link_up(at(2s), link);
    CHECK(link.kept(base + "/lamp/on") == "true");
    CHECK(link.kept(base + "/$alert/hot") == "The lamp is hot");
    CHECK(link.sent_to(base + "/lamp/pressed").empty());  // an event of the past is none
}

TEST_CASE("a value that could not be sent is sent by the next flush", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    lamp.device.put(lamp.on, "true");
    lamp.device.raise_alert("hot", "The lamp is hot");
    link.accepts = 0;
    lamp.device.flush(at(1s), link);
    CHECK(link.kept(base + "/lamp/on") == std::nullopt);
    link.accepts.reset();
    lamp.device.flush(at(1s), link);
    CHECK(link.kept(base + "/lamp/on") == "true");
    CHECK(link.kept(base + "/$alert/hot") == "The lamp is hot");
}

TEST_CASE("a flush that is cut off goes on with what was left, once and in order", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    const auto sent_by_flush = [&](rules::Duration when) {
        link.forget();
        lamp.device.flush(at(when), link);
        std::vector<std::string> ids;
        ids.reserve(link.sent.size());
        for (const auto& sent : link.sent)
            ids.push_back(sent.topic.substr(base.size() + std::string("/lamp/").size()));
        return ids;
    };
    using Ids = std::vector<std::string>;
    lamp.device.link_up(at(0s), link);
    lamp.device.put(lamp.current, 1.0, 1);
    CHECK(sent_by_flush(1s) == Ids{"current"});
    lamp.device.put(lamp.mode, "steady");
    lamp.device.put(lamp.level, 10, 0);
    lamp.device.put(lamp.current, 1.1, 1);  // has to wait for its pace
    lamp.device.put(lamp.on, "true");
    link.accepts = 2;
    CHECK(sent_by_flush(1100ms) == Ids{"on", "level"});
    link.accepts.reset();
    lamp.device.put(lamp.level, 20, 0);
    lamp.device.put(lamp.on, "false");
    lamp.device.put(lamp.on, "true");  // as it was sent
    CHECK(sent_by_flush(1200ms) == Ids{"level", "mode"});
    CHECK(sent_by_flush(1600ms) == Ids{"current"});
    CHECK(sent_by_flush(1700ms).empty());
}

TEST_CASE("the last will says lost on the state topic", "[homie]") {
    const Lamp lamp;
    CHECK(lamp.device.state_topic() == base + "/$state");
    CHECK(Device::will_payload == "lost");
}

TEST_CASE("a clean stop sends what waits, says disconnected, and then nothing more", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.put(lamp.current, "1.0");
    lamp.device.link_up(at(0s), link);
    lamp.device.put(lamp.current, "1.1");
    lamp.device.stop(at(1ms), link);
    CHECK(link.kept(base + "/lamp/current") == "1.1");
    CHECK(link.sent.back().payload == "disconnected");
    link.forget();
    lamp.device.put(lamp.on, "true");
    lamp.device.flush(at(1s), link);
    lamp.device.link_up(at(2s), link);
    CHECK(link.sent.empty());
}

TEST_CASE("a stop without a connection says nothing", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    link.forget();
    link.up = false;
    lamp.device.stop(at(1s), link);
    CHECK(link.sent.empty());
}

TEST_CASE("a value is published when it changes, and only then", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    link.forget();
    for (const char* value : {"true", "true", "false", "false"}) {
        lamp.device.put(lamp.on, value);
        lamp.device.flush(at(1s), link);
    }
    CHECK(link.sent_to(base + "/lamp/on") == std::vector<std::string>{"true", "false"});
}

TEST_CASE("a trembling number is published at its pace, and its last value always", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    link.forget();
    rules::Instant now = at(1s);
    for (int i = 0; i < 100; ++i, now += 10ms) {  // a second of readings
        lamp.device.put(lamp.current, decimal(10 + 0.1 * i / 10, 2));
        lamp.device.flush(now, link);
    }
    CHECK(link.sent_to(base + "/lamp/current") == std::vector<std::string>{"10.00", "10.50"});
    lamp.device.flush(now + 500ms, link);
    CHECK(link.kept(base + "/lamp/current") == "10.99");
}

TEST_CASE("a number is published when its last digit changes, and only then", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    link.forget();
    rules::Instant now = at(1s);
    for (const double current_a : {9.96, 10.04, 9.951, 10.06, 10.14, -0.04, 0.04, 2e12}) {
        lamp.device.put(lamp.current, current_a, 1);
        lamp.device.flush(now += 1s, link);
    }
    CHECK(link.sent_to(base + "/lamp/current") ==
          std::vector<std::string>{"10.0", "10.1", "0.0", "2000000000000.0"});
    lamp.device.put(lamp.current, "3.5");
    lamp.device.put(lamp.current, 2e12, 1);
    lamp.device.put(lamp.current, std::nan(""), 1);
    lamp.device.flush(now += 1s, link);
    CHECK(link.kept(base + "/lamp/current") == std::nullopt);
    lamp.device.put(lamp.current, 3.5, 1);
    lamp.device.clear(lamp.current);
    lamp.device.put(lamp.current, 3.5, 1);
    lamp.device.flush(now += 1s, link);
    CHECK(link.kept(base + "/lamp/current") == "3.5");
    lamp.device.put(lamp.level, 7, 0);
    lamp.device.flush(now += 1s, link);
    CHECK(link.kept(base + "/lamp/level") == "7");
}

TEST_CASE("a number that jumps does not wait", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    lamp.device.put(lamp.current, "10.0");
    lamp.device.flush(at(1s), link);
    lamp.device.put(lamp.current, "14.9");
    lamp.device.flush(at(1s + 10ms), link);
    CHECK(link.kept(base + "/lamp/current") == "10.0");
    lamp.device.put(lamp.current, "15.0");
    lamp.device.flush(at(1s + 20ms), link);
    CHECK(link.kept(base + "/lamp/current") == "15.0");
}

TEST_CASE("a value that is not known any more is removed at once", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    lamp.device.put(lamp.current, "10.0");
    lamp.device.flush(at(1s), link);
    SECTION("cleared") {
        lamp.device.clear(lamp.current);
    }
    SECTION("not finite") {
        lamp.device.put(lamp.current, "nan");
    }
    SECTION("no number") {
        lamp.device.put(lamp.current, decimal(std::nan(""), 1));
    }
    lamp.device.flush(at(1s + 1ms), link);
    CHECK(link.kept(base + "/lamp/current") == std::nullopt);
    CHECK(convention::device_faults(link.retained, base) == no_faults);
}

TEST_CASE("an empty string is published as one zero byte", "[homie]") {
    // Homie convention v5, "Payload": an empty payload would delete the topic.
    Lamp lamp;
    RetainingLink link;
    lamp.device.put(lamp.label, "");
    lamp.device.link_up(at(0s), link);
    CHECK(link.kept(base + "/lamp/label") == std::string(zero_byte));
}

TEST_CASE("an event is sent each time, not retained, and not repeated", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    for (int i = 0; i < 2; ++i) {
        lamp.device.put(lamp.pressed, "short");
        lamp.device.flush(at(1s), link);
        lamp.device.flush(at(2s), link);
    }
    CHECK(link.sent_to(base + "/lamp/pressed") == std::vector<std::string>{"short", "short"});
    CHECK(link.sent.back().delivery == Delivery::command);
    link.forget();
    lamp.device.link_up(at(3s), link);
    CHECK(link.sent_to(base + "/lamp/pressed").empty());
    lamp.device.put(lamp.pressed, "long");
    lamp.device.put(lamp.pressed, "sideways");  // no value of it: no event
    lamp.device.flush(at(4s), link);
    CHECK(link.sent_to(base + "/lamp/pressed").empty());
}

TEST_CASE("valid set messages are commands", "[homie]") {
    Lamp lamp;
    CHECK(lamp.set("on", "true") == "true");
    CHECK(lamp.set("level", "100") == "100");
    CHECK(lamp.set("mode", "slow blink") == "slow blink");
    CHECK(lamp.set("label", "hello") == "hello");
    CHECK(lamp.set("label", zero_byte) == "");
    CHECK(lamp.set("pressed", "long") == "long");
    CHECK(lamp.set("target", "-1.5") == "-1.5");
    CHECK(lamp.set("target", "2e3") == "2e3");
}

TEST_CASE("set messages that are no value of the property are ignored with a reason", "[homie]") {
    Lamp lamp;
    for (const std::string payload : {"", "True", "TRUE", "1", "on", " true", "true\n", "truetrue"}) {
        INFO(payload);
        CHECK_FALSE(lamp.set("on", payload));
    }
    for (const std::string payload :
         {"", "-1", "101", "5.0", "5 ", "+5", "0x5", "1e2", "99999999999999999999"}) {
        INFO(payload);
        CHECK_FALSE(lamp.set("level", payload));
    }
    for (const std::string payload : {"", "Steady", "steady,slow blink", ",", "blink", "slow"}) {
        INFO(payload);
        CHECK_FALSE(lamp.set("mode", payload));
    }
    for (const std::string payload :
         {"", "NaN", "nan", "inf", "-inf", "1,5", "1e999", "-1.6", "0x1p3", "--1", "\xff\xfe"}) {
        INFO(payload);
        CHECK_FALSE(lamp.set("target", payload));
    }
    CHECK_FALSE(lamp.set("label", ""));
    CHECK_FALSE(lamp.set("label", std::string(257, 'x')));
    CHECK_FALSE(lamp.set("on", std::string(1'000'000, 'x')));
    CHECK_FALSE(lamp.set("current", "1.0"));    // not settable
    CHECK_FALSE(lamp.set("colour", "red"));     // no such property
    CHECK_FALSE(lamp.set("on", "true", true));  // retained: of unknown age
    const std::string long_topic = std::string(60'000, 'y');
    CHECK_FALSE(lamp.set(long_topic, "true"));
}

TEST_CASE("other topics are nobody's mistake", "[homie]") {
    Lamp lamp;
    for (const std::string topic :
         {"", "homie", "homie/5/shed", "homie/5/shed/", "homie/5/shed/$state", "homie/5/shed/lamp/on",
          "homie/5/shed/set", "homie/5/shed/lamp/set", "homie/5/shedlamp/on/set", "homie/4/shed/lamp/on/set",
          "meters/l1", "homie/5/shed/$alert/hot"}) {
        INFO(topic);
        const Incoming incoming = lamp.device.received({topic, "true", false});
        CHECK(std::holds_alternative<std::monostate>(incoming));
    }
}

TEST_CASE("whoever set a value sees the one that holds, even if it is the same", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.put(lamp.on, "true");
    lamp.device.link_up(at(0s), link);
    link.forget();
    CHECK(lamp.set("on", "true"));
    CHECK(lamp.set("pressed", "long"));
    lamp.device.flush(at(1s), link);
    lamp.device.flush(at(2s), link);
    CHECK(link.sent_to(base + "/lamp/on") == std::vector<std::string>{"true"});
    CHECK(link.sent_to(base + "/lamp/pressed").empty());  // an event is the owner's to publish
}

TEST_CASE("an alert stands until it is cleared, and is then removed", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    lamp.device.raise_alert("hot", "The lamp is hot");
    lamp.device.flush(at(1s), link);
    lamp.device.flush(at(2s), link);
    CHECK(link.sent_to(base + "/$alert/hot") == std::vector<std::string>{"The lamp is hot"});
    lamp.device.clear_alert("hot");
    lamp.device.clear_alert("never-raised");
    lamp.device.flush(at(3s), link);
    lamp.device.flush(at(4s), link);
    CHECK(link.sent_to(base + "/$alert/hot") == std::vector<std::string>{"The lamp is hot", ""});
    CHECK(link.kept(base + "/$alert/hot") == std::nullopt);
}

TEST_CASE("an alert that ended while the link was down is removed after it", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.raise_alert("hot", "The lamp is hot");
    lamp.device.link_up(at(0s), link);
    link.up = false;
    lamp.device.clear_alert("hot");
    lamp.device.flush(at(1s), link);
    link.up = true;
    lamp.device.link_up(at(2s), link);
    CHECK(link.kept(base + "/$alert/hot") == std::nullopt);
}

TEST_CASE("an alert of an earlier run is removed, one of this run is not", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    const std::string hot = base + "/$alert/hot";
    const std::string old = base + "/$alert/old";
    link.retained[old] = "from yesterday";
    lamp.device.raise_alert("hot", "The lamp is hot");
    lamp.device.link_up(at(0s), link);
    // What the broker sends after the subscription:
    lamp.device.received({hot, "The lamp is hot", true});
    lamp.device.received({old, "from yesterday", true});
    lamp.device.received({base + "/$alert/" + std::string(60'000, 'x'), "x", true});
    link.forget();
    lamp.device.flush(at(1s), link);
    CHECK(link.kept(old) == std::nullopt);
    CHECK(link.kept(hot) == "The lamp is hot");
    CHECK(link.sent.size() == 1);  // nobody of this house writes ids that long
}

TEST_CASE("a flood of foreign alerts does not grow the device without bound", "[homie]") {
    Lamp lamp;
    RetainingLink link;
    lamp.device.link_up(at(0s), link);
    link.forget();
    for (int i = 0; i < 10'000; ++i)
        lamp.device.received({base + "/$alert/x" + std::to_string(i), "x", true});
    lamp.device.flush(at(1s), link);
    CHECK(link.sent.size() == 256);
}
