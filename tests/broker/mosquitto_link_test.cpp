// MosquittoLink against a real mosquitto, and against a scripted server for what no real broker can be made
// to do. The bytes of the scripted server are those of MQTT Version 5.0 and 3.1.1 (OASIS Standards),
// sections 3.1 to 3.3 and 3.14.
#include "adapters/mosquitto_link.h"

#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/socket.h>

#include <chrono>
#include <cstdlib>
#include <fstream>
#include <functional>
#include <string>
#include <vector>

#include "tests/broker/private_broker.h"
#include "tests/broker/scripted_server.h"
#include "tests/support/catch.h"
#include "tests/support/link_contract.h"
#include "tests/support/recording_listener.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using namespace std::string_literals;
using adapters::BrokerSettings;
using adapters::Delivery;
using adapters::MosquittoLink;
using rules::Instant;
using tests::PrivateBroker;
using tests::RecordingListener;
using tests::ScriptedServer;

namespace {

const std::string connack_5 = "\x20\x03\x00\x00\x00"s;
const std::string connack_3_1_1 = "\x20\x02\x00\x00"s;

Instant real_time() {
    return Instant(
        std::chrono::duration_cast<rules::Duration>(std::chrono::steady_clock::now().time_since_epoch()));
}

BrokerSettings settings(int port, std::string client_id) {
    return {.host = "127.0.0.1", .port = port, .client_id = std::move(client_id)};
}

/// The part of the daemon's loop that concerns links. Real time, plus whatever a test skips.
class Loop {
  public:
    explicit Loop(std::vector<MosquittoLink*> links) : links_(std::move(links)) {}

    bool until(const std::function<bool()>& condition, std::chrono::seconds patience = 20s) {
        const Instant end = now() + patience;
        while (!condition()) {
            if (now() > end) return false;
            turn();
        }
        return true;
    }

    void turn() {
        std::vector<pollfd> sockets;
        for (const MosquittoLink* link : links_) {
            const auto events = static_cast<short>(link->wants_write() ? POLLIN | POLLOUT : POLLIN);
            sockets.push_back({link->fd().value_or(-1), events, 0});
        }
        poll(sockets.data(), sockets.size(), 5);
        for (std::size_t i = 0; i < links_.size(); ++i) {
            const auto got = static_cast<unsigned>(sockets[i].revents);
            const bool readable = (got & (POLLIN | POLLERR | POLLHUP)) != 0;
            const bool due = links_[i]->next_wake() <= now();
            if (readable || (got & POLLOUT) != 0 || due)
                links_[i]->service(now(), readable, (got & POLLOUT) != 0);
        }
    }

    void skip(rules::Duration time) { skipped_ += time; }
    Instant now() const { return real_time() + skipped_; }

  private:
    std::vector<MosquittoLink*> links_;
    rules::Duration skipped_{};
};

/// A link with its ears open.
struct Station {
    explicit Station(BrokerSettings with) : link(std::move(with)) { link.listen(&heard); }
    Station(int port, std::string client_id) : Station(settings(port, std::move(client_id))) {}

    MosquittoLink link;
    RecordingListener heard;
};

/// A link to a scripted server that has accepted it.
struct ScriptedStation {
    explicit ScriptedStation(std::string_view connack = connack_5) {
        REQUIRE(loop.until([&] { return server.accept(); }));
        REQUIRE(loop.until([&] { return !server.heard().empty(); }));
        server.say(connack);
        REQUIRE(loop.until([&] { return station.link.connected(); }));
    }

    ScriptedServer server;
    Station station{server.port(), "scripted"};
    Loop loop{{&station.link}};
};

int socket_option(int socket, int level, int name) {
    int value = -1;
    socklen_t size = sizeof value;
    getsockopt(socket, level, name, &value, &size);
    return value;
}

/// A PUBLISH of MQTT 5 with QoS 0 on topic "t", without properties.
std::string publish_packet(const std::string& payload) {
    std::string packet = "\x30";
    for (std::size_t rest = payload.size() + 4; rest > 0; rest /= 128) {
        packet += static_cast<char>(rest % 128 + (rest >= 128 ? 128 : 0));
    }
    return packet + "\x00\x01t\x00"s + payload;
}

/// Why the first attempt fails.
std::string first_failure(BrokerSettings with) {
    Station station(std::move(with));
    Loop loop({&station.link});
    REQUIRE(loop.until([&] { return !station.heard.downs.empty(); }));
    CHECK(station.heard.ups.empty());
    CHECK_FALSE(station.link.connected());
    return station.heard.downs.front();
}

bool has(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

void run(const std::string& command) {
    INFO(command);
    REQUIRE(std::system(command.c_str()) == 0);
}

}  // namespace

TEST_CASE("a link over a socket keeps the contract of a link, with a broker that is killed and restarted") {
    PrivateBroker broker;
    broker.start();
    Station sender(broker.port(), "sender");
    MosquittoLink receiver(settings(broker.port(), "receiver"));
    Loop loop({&sender.link, &receiver});
    tests::check_link_contract({sender.link, receiver,
                                [&](const std::function<bool()>& condition) { return loop.until(condition); },
                                [&] { broker.kill(); }, [&] { broker.start(); }});
}

TEST_CASE("a command into a connection whose broker has just died is not delivered to the next broker") {
    PrivateBroker broker;
    broker.start();
    Station sender(broker.port(), "sender"), receiver(broker.port(), "receiver");
    receiver.link.subscribe("#");
    Loop loop({&sender.link, &receiver.link});
    REQUIRE(loop.until([&] { return sender.link.connected() && receiver.link.connected(); }));

    broker.kill();
    sender.link.publish({"load/set", "stale", Delivery::command});
    sender.link.publish({"load/event", "stale", Delivery::event});
    sender.link.publish({"load/state", "stale", Delivery::state});
    REQUIRE(loop.until([&] { return sender.heard.downs.size() == 1 && receiver.heard.downs.size() == 1; }));
    broker.start();
    REQUIRE(loop.until([&] { return sender.link.connected() && receiver.link.connected(); }));
    REQUIRE(sender.link.publish({"load/set", "fresh", Delivery::command}));
    REQUIRE(loop.until([&] { return receiver.heard.count("fresh") == 1; }));
    CHECK(receiver.heard.count("stale") == 0);
}

TEST_CASE("every socket gets its options, the one after a reconnection too") {
    PrivateBroker broker;
    broker.start();
    Station station(broker.port(), "station");
    Loop loop({&station.link});
    for (std::size_t connection = 1; connection <= 2; ++connection) {
        REQUIRE(loop.until([&] { return station.heard.ups.size() == connection; }));
        const int socket = station.link.fd().value();
        CHECK(socket_option(socket, IPPROTO_TCP, TCP_USER_TIMEOUT) == 3000);
        CHECK(socket_option(socket, IPPROTO_TCP, TCP_NODELAY) == 1);
        broker.kill();
        REQUIRE(loop.until([&] { return station.heard.downs.size() == connection; }));
        CHECK_FALSE(station.link.fd());
        broker.start();
    }
}

TEST_CASE("the will is published, and kept, when the client vanishes, but not when it says goodbye") {
    PrivateBroker broker;
    broker.start();
    Station witness(broker.port(), "witness");
    witness.link.subscribe("#");
    for (const bool goodbye : {true, false}) {
        auto with = settings(broker.port(), "frail");
        with.will = adapters::Will{"frail/state", "lost"};
        Station frail(with);
        Loop loop({&witness.link, &frail.link});
        REQUIRE(loop.until([&] { return witness.link.connected() && frail.link.connected(); }));
        REQUIRE(frail.link.publish({"frail/state", "disconnected", Delivery::state}));
        if (goodbye) {
            frail.link.close();
            CHECK_FALSE(frail.link.connected());
            CHECK_FALSE(frail.link.next_wake());
            frail.link.service(loop.now(), true, true);
            CHECK_FALSE(frail.link.fd());
            CHECK(frail.heard.downs.empty());
        }
    }
    Loop loop({&witness.link});
    REQUIRE(loop.until([&] { return witness.heard.count("lost") == 1; }));
    CHECK(witness.heard.count("disconnected") == 2);
    Station late(broker.port(), "late");
    late.link.subscribe("frail/state");
    Loop late_loop({&late.link});
    REQUIRE(late_loop.until([&] { return late.heard.count("lost") == 1; }));
    CHECK(late.heard.heard.front().retained);
}

TEST_CASE("a goodbye waits until the broker has what was published, but not for a silent broker") {
    PrivateBroker broker;
    broker.start();
    Station leaving(broker.port(), "leaving");
    Loop loop({&leaving.link});
    REQUIRE(loop.until([&] { return leaving.link.connected(); }));
    // Far more than the broker lets a client send without an acknowledgement.
    for (int load = 0; load < 300; ++load) {
        REQUIRE(leaving.link.publish({"load/" + std::to_string(load), "off", Delivery::state}));
    }
    REQUIRE(leaving.link.publish({"rig/state", "disconnected", Delivery::state}));
    leaving.link.close();
    Station late(broker.port(), "late");
    late.link.subscribe("#");
    Loop late_loop({&late.link});
    REQUIRE(late_loop.until([&] { return late.heard.count("off") == 300; }));
    REQUIRE(late_loop.until([&] { return late.heard.count("disconnected") == 1; }));

    ScriptedStation silent;
    REQUIRE(silent.station.link.publish({"rig/state", "disconnected", Delivery::state}));
    silent.station.link.close();
    CHECK(silent.server.heard().ends_with("disconnected"));  // and no goodbye: the will speaks

    ScriptedStation broken;
    REQUIRE(broken.station.link.publish({"rig/state", "disconnected", Delivery::state}));
    broken.server.hang_up();
    broken.station.link.close();
    CHECK_FALSE(broken.station.link.connected());
}

TEST_CASE(
    "a broker frozen for a while hears nothing later that was published after its silence was noticed") {
    PrivateBroker broker;
    broker.start();
    Station sender(broker.port(), "sender"), receiver(broker.port(), "receiver");
    receiver.link.subscribe("load/set");
    Loop loop({&sender.link, &receiver.link});
    REQUIRE(loop.until([&] { return sender.link.connected() && receiver.link.connected(); }));

    broker.freeze();
    // The kernel of a frozen broker still takes bytes. No client can know, nor call them back.
    const bool taken = sender.link.publish({"load/set", "before", Delivery::command, 1s});
    CHECK(taken);
    REQUIRE(loop.until([&] { return !sender.heard.downs.empty(); }, 30s));
    CHECK_FALSE(sender.link.publish({"load/set", "after", Delivery::command, 1s}));
    broker.thaw();
    REQUIRE(loop.until([&] { return sender.link.connected() && receiver.link.connected(); }, 60s));
    REQUIRE(sender.link.publish({"load/set", "fresh", Delivery::command}));
    REQUIRE(loop.until([&] { return receiver.heard.count("fresh") == 1; }));
    CHECK(receiver.heard.count("after") == 0);
    CHECK(receiver.heard.count("before") <= 1);
}

TEST_CASE("a message that has expired is not handed to a late subscriber") {
    PrivateBroker broker;
    broker.start();
    Station sender(broker.port(), "sender"), late(broker.port(), "late");
    Loop loop({&sender.link, &late.link});
    REQUIRE(loop.until([&] { return sender.link.connected() && late.link.connected(); }));
    REQUIRE(sender.link.publish({"load/brief", "brief", Delivery::state, 1s}));
    REQUIRE(sender.link.publish({"load/lasting", "lasting", Delivery::state, 1h}));
    const Instant published = loop.now();
    REQUIRE(loop.until([&] { return loop.now() - published > 2500ms; }));
    late.link.subscribe("load/#");
    REQUIRE(loop.until([&] { return late.heard.count("lasting") == 1; }));
    CHECK(late.heard.count("brief") == 0);
}

TEST_CASE("where nobody listens the reason is given once, and attempts come at growing intervals") {
    Station station(tests::free_port(), "station");
    Loop loop({&station.link});
    const auto fail_once = [&] {
        REQUIRE(loop.until([&] { return station.link.next_wake() > loop.now() && !station.link.fd(); }));
        return *station.link.next_wake() - loop.now();
    };
    rules::Duration wait{};
    for (int attempt = 0; attempt < 10; ++attempt) {
        wait = fail_once();
        CHECK(wait <= adapters::BackOff::longest);
        loop.skip(wait);
    }
    CHECK(wait > 10s);
    REQUIRE(station.heard.downs.size() == 1);
    CHECK(has(station.heard.downs.front(), "does not answer (Connection refused): check that it runs"));
    CHECK_FALSE(station.link.publish({"x", "y", Delivery::command}));
}

TEST_CASE("a broker that refuses the credentials is named with the remedy, and asked again") {
    PrivateBroker broker;
    const std::string passwords = (broker.directory() / "passwords").string();
    run("mosquitto_passwd -b -c " + passwords + " rig right");
    broker.start("allow_anonymous false\npassword_file " + passwords + "\n");
    auto with = settings(broker.port(), "station");
    with.username = "rig";
    with.password = "wrong";
    Station wrong(with);
    with.client_id = "other";
    with.password = "right";
    Station right(with);
    Loop loop({&wrong.link, &right.link});
    REQUIRE(loop.until([&] { return right.link.connected() && !wrong.heard.downs.empty(); }));
    CHECK(has(wrong.heard.downs.front(), "refuses us: check user name, password"));

    // Asked again, it says the same, which is not news; once the password is right there, it is news.
    loop.skip(1s);
    REQUIRE(loop.until([&] { return wrong.link.fd().has_value(); }));
    REQUIRE(loop.until([&] { return !wrong.link.fd().has_value(); }));
    CHECK(wrong.heard.downs.size() == 1);
    CHECK(has(first_failure(settings(broker.port(), "nobody")), "check user name"));
    broker.kill();
    run("mosquitto_passwd -b " + passwords + " rig wrong");
    broker.start("allow_anonymous false\npassword_file " + passwords + "\n");
    loop.skip(1min);
    REQUIRE(loop.until([&] { return wrong.link.connected(); }));
}

TEST_CASE("two clients with one id are told so, and do not throw each other out without end") {
    PrivateBroker broker;
    broker.start();
    Station one(broker.port(), "same"), other(broker.port(), "same");
    Loop loop({&one.link, &other.link});
    REQUIRE(loop.until([&] { return one.heard.downs.size() + other.heard.downs.size() >= 5; }));
    const auto& downs = one.heard.downs.empty() ? other.heard.downs : one.heard.downs;
    // Not every version of the broker says so itself; then it is a guess.
    CHECK((has(downs.front(), "another client may be using our id same") ||
           has(downs.front(), "threw us out: another client uses our id same")));
    const auto wait =
        std::max(one.link.next_wake().value() - loop.now(), other.link.next_wake().value() - loop.now());
    CHECK(wait > adapters::BackOff::shortest);
}

TEST_CASE("a broker's reason for throwing us out is passed on") {
    ScriptedStation scripted;
    scripted.server.say("\xe0\x01\x8e"s);
    REQUIRE(scripted.loop.until([&] { return scripted.station.heard.downs.size() == 1; }));
    CHECK(has(scripted.station.heard.downs.back(), "threw us out: another client uses our id scripted"));
    scripted.loop.skip(1min);
    REQUIRE(scripted.loop.until([&] { return scripted.server.accept(); }));
    scripted.server.say(connack_5);
    REQUIRE(scripted.loop.until([&] { return scripted.station.link.connected(); }));
    scripted.server.say("\xe0\x01\x8b"s);
    REQUIRE(scripted.loop.until([&] { return scripted.station.heard.downs.size() == 2; }));
    CHECK(has(scripted.station.heard.downs.back(), "ended: Server shutting down"));
}

TEST_CASE("settings that cannot work are named") {
    const int port = tests::free_port();
    auto with = settings(port, "station");
    with.host = "no-such-host.invalid";  // RFC 6761: never resolves
    CHECK(has(first_failure(with), "host name no-such-host.invalid cannot be looked up"));
    with = settings(port, "station");
    with.ca_file = "/nowhere/ca.crt";
    CHECK(has(first_failure(with), "the CA file /nowhere/ca.crt cannot be read"));
    with = settings(port, "station");
    with.will = adapters::Will{"rig/#", "lost"};
    CHECK(has(first_failure(with), "the last will, rig/#, is no topic"));
    CHECK(has(first_failure(settings(port, "\xff")), "client id"));
}

TEST_CASE("a topic filter or topic that MQTT does not allow is refused") {
    PrivateBroker broker;
    broker.start();
    Station station(broker.port(), "station");
    Loop loop({&station.link});
    REQUIRE(loop.until([&] { return station.link.connected(); }));
    CHECK_FALSE(station.link.publish({"load/+/set", "on", Delivery::command}));
    CHECK_FALSE(station.link.publish({"load/set", std::string(65'537, 'x'), Delivery::event}));
    CHECK(station.link.publish({"load/set", std::string(65'536, 'x'), Delivery::event}));
    station.link.subscribe("load/#/x");
    REQUIRE(loop.until([&] { return station.heard.downs.size() == 1; }));
    CHECK(has(station.heard.downs.front(), "load/#/x"));
    loop.skip(1s);
    REQUIRE(loop.until([&] { return station.link.fd().has_value(); }));
    REQUIRE(loop.until([&] { return !station.link.fd().has_value(); }));
    CHECK(station.heard.ups.size() == 1);
}

TEST_CASE("TLS works with a CA of one's own, and a broker without it is refused") {
    PrivateBroker broker;
    const std::string files = broker.directory().string() + "/";
    const std::string key = " -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes ";
    const std::string quiet = " 2>>" + files + "log";
    run("openssl req -x509 -days 2" + key + "-subj /CN=ca -keyout " + files + "ca.key -out " + files +
        "ca.crt" + quiet);
    run("openssl req -x509 -days 2" + key + "-subj /CN=broker -addext subjectAltName=IP:127.0.0.1 -CA " +
        files + "ca.crt -CAkey " + files + "ca.key -keyout " + files + "server.key -out " + files +
        "server.crt" + quiet);
    run("openssl req -x509 -days 2" + key + "-subj /CN=stranger -keyout " + files + "x.key -out " + files +
        "x.crt" + quiet);
    broker.start("allow_anonymous true\ncafile " + files + "ca.crt\ncertfile " + files +
                 "server.crt\nkeyfile " + files + "server.key\n");
    auto with = settings(broker.port(), "station");
    with.ca_file = files + "ca.crt";
    Station station(with);
    station.link.subscribe("#");
    Loop loop({&station.link});
    REQUIRE(loop.until([&] { return station.link.connected(); }));
    REQUIRE(station.link.publish({"x", "secret", Delivery::command}));
    REQUIRE(loop.until([&] { return station.heard.count("secret") == 1; }));
    with.ca_file = files + "x.crt";
    CHECK(has(first_failure(with), "fails the TLS handshake: check the CA file"));
}

TEST_CASE("a broker without MQTT 5 is asked for 3.1.1 at once, in either way it says so") {
    const auto refusal = GENERATE(as<std::string>{}, "\x20\x03\x00\x84\x00"s, "\x20\x02\x00\x01"s);
    ScriptedServer server;
    Station station(server.port(), "station");
    station.link.subscribe("meters/#");
    Loop loop({&station.link});
    const auto protocol_level = [&] {
        REQUIRE(loop.until([&] { return server.accept(); }));
        REQUIRE(loop.until([&] { return server.heard().size() > 8; }));
        return static_cast<int>(server.heard()[8]);
    };
    CHECK(protocol_level() == 5);
    server.say(refusal);
    CHECK(protocol_level() == 4);
    server.say(connack_3_1_1 + "\x90\x03\x00\x01\x00"s);
    REQUIRE(loop.until([&] { return station.link.connected(); }));
    CHECK(station.heard.downs.empty());
    REQUIRE(station.link.publish({"load/set", "on", Delivery::command, 2s}));
    REQUIRE(loop.until([&] { return has(server.heard(), "\x30\x0c\x00\x08load/seton"s); }));
    CHECK(has(server.heard(), "\x00\x08meters/#\x00"s));

    // The broker may have been renewed meanwhile.
    server.hang_up();
    REQUIRE(loop.until([&] { return station.heard.downs.size() == 1; }));
    loop.skip(1s);
    CHECK(protocol_level() == 5);
    server.say(refusal);
    CHECK(protocol_level() == 4);
    server.say("\x20\x02\x00\x03"s);
    REQUIRE(loop.until([&] { return station.heard.downs.size() == 2; }));
    CHECK(has(station.heard.downs.back(), "refuses us: Connection Refused: broker unavailable"));
}

TEST_CASE("a refusal of MQTT 5 is passed on in words") {
    ScriptedServer server;
    Station station(server.port(), "station");
    Loop loop({&station.link});
    REQUIRE(loop.until([&] { return server.accept(); }));
    server.say("\x20\x03\x00\x89\x00"s);
    REQUIRE(loop.until([&] { return !station.heard.downs.empty(); }));
    CHECK(has(station.heard.downs.front(), "refuses us: Server busy"));
}

TEST_CASE("link_up waits until every subscription is confirmed, and messages wait for link_up") {
    ScriptedServer server;
    Station station(server.port(), "station");
    station.link.subscribe("t");
    station.link.subscribe("t");
    Loop loop({&station.link});
    REQUIRE(loop.until([&] { return server.accept(); }));
    server.say(connack_5 + publish_packet("early"));
    REQUIRE(loop.until([&] { return has(server.heard(), "\x82\x07\x00\x01\x00\x00\x01t\x00"s); }));
    for (int turn = 0; turn < 10; ++turn)
        loop.turn();
    CHECK_FALSE(station.link.connected());
    CHECK(station.heard.heard.empty());
    server.say("\x90\x04\x00\x01\x00\x00"s);
    REQUIRE(loop.until([&] { return station.heard.count("early") == 1; }));
    CHECK(station.heard.ups.size() == 1);

    station.link.subscribe("secret");
    REQUIRE(loop.until([&] { return has(server.heard(), "secret"); }));
    server.say("\x90\x04\x00\x02\x00\x87"s);
    REQUIRE(loop.until([&] { return station.heard.downs.size() == 1; }));
    CHECK(has(station.heard.downs.front(), "refuses the subscription to secret: check its access rules"));
}

TEST_CASE(
    "commands set out clean, not retained, with QoS 0 and their expiry, and states with QoS 1 and retained") {
    ScriptedStation scripted;
    const std::string& heard = scripted.server.heard();
    CHECK(has(heard, "\x00\x04MQTT\x05\x02"s));  // version 5, clean start and nothing else
    REQUIRE(scripted.station.link.publish({"load/set", "on", Delivery::command, 2s}));
    REQUIRE(scripted.station.link.publish({"load/state", "on", Delivery::state}));
    REQUIRE(scripted.loop.until([&] {
        return has(scripted.server.heard(), "\x30\x12\x00\x08load/set\x05\x02\x00\x00\x00\x02on"s) &&
               has(scripted.server.heard(), "\x33\x11\x00\x0aload/state"s);
    }));
}

TEST_CASE("a payload over 64 KiB is ignored and counted, one of 64 KiB is not") {
    ScriptedStation scripted;
    for (const std::size_t size : {65'537U, 65'536U}) {
        const std::string packet = publish_packet(std::string(size, 'x'));
        for (std::size_t sent = 0; sent < packet.size(); sent += 8192) {
            scripted.server.say(std::string_view(packet).substr(sent, 8192));
            scripted.loop.turn();
        }
    }
    REQUIRE(scripted.loop.until([&] { return !scripted.station.heard.heard.empty(); }));
    CHECK(scripted.station.heard.heard.size() == 1);
    CHECK(scripted.station.heard.heard.front().payload.size() == 65'536);
    CHECK(scripted.station.link.ignored_oversized() == 1);
}

TEST_CASE("a command is refused while earlier bytes still wait for the socket") {
    ScriptedStation scripted;
    MosquittoLink& link = scripted.station.link;
    const std::string block(65'536, 'x');
    int taken = 0;
    while (taken < 2000 && link.publish({"load/set", block, Delivery::command}))
        ++taken;
    CHECK(taken > 0);
    CHECK(taken < 2000);
    CHECK(link.connected());
    CHECK(link.wants_write());
    REQUIRE(scripted.loop.until([&] { return !scripted.server.heard().empty() && !link.wants_write(); }));
    CHECK(link.publish({"load/set", "on", Delivery::command}));
}

TEST_CASE("states that the broker never acknowledges do not pile up without end") {
    ScriptedStation scripted;
    MosquittoLink& link = scripted.station.link;
    int taken = 0;
    while (taken < 20'000 && link.publish({"s", "x", Delivery::state}))
        ++taken;
    CHECK(taken == 10'000);
    scripted.server.say("\x40\x02\x00\x01"s);  // PUBACK of the first
    REQUIRE(scripted.loop.until([&] { return link.publish({"s", "x", Delivery::state}); }));
}

TEST_CASE("a server that accepts the connection and says nothing is given up") {
    ScriptedServer server;
    Station station(server.port(), "station");
    Loop loop({&station.link});
    REQUIRE(loop.until([&] { return server.accept(); }));
    loop.skip(6s);
    REQUIRE(loop.until([&] { return !station.heard.downs.empty(); }));
    CHECK(has(station.heard.downs.front(), "does not answer in time"));
}

TEST_CASE("a server that speaks something else is given up") {
    // A packet of no kind, and a CONNACK that ends too soon.
    const auto answer = GENERATE(as<std::string>{}, "\x00\x00"s, "\x20\x01\x00"s);
    ScriptedServer server;
    Station station(server.port(), "station");
    Loop loop({&station.link});
    REQUIRE(loop.until([&] { return server.accept(); }));
    server.say(answer);
    REQUIRE(loop.until([&] { return server.accept(); }));
    CHECK(station.heard.downs.empty());  // it may be a broker of 3.1.1, and is asked for that first
    server.say(answer);
    REQUIRE(loop.until([&] { return !station.heard.downs.empty(); }));
    CHECK(has(station.heard.downs.front(), "answers what is not MQTT: check that host and port"));
}

TEST_CASE("a connection that stood for a while begins anew with the shortest wait") {
    ScriptedStation scripted;
    const auto lose = [&] {
        const std::size_t before = scripted.station.heard.downs.size();
        scripted.server.hang_up();
        REQUIRE(scripted.loop.until([&] { return scripted.station.heard.downs.size() == before + 1; }));
    };
    const auto come_back = [&] {
        scripted.loop.skip(1min);
        REQUIRE(scripted.loop.until([&] { return scripted.server.accept(); }));
        scripted.server.say(connack_5);
        REQUIRE(scripted.loop.until([&] { return scripted.station.link.connected(); }));
    };
    for (int loss = 0; loss < 4; ++loss) {
        lose();
        come_back();
    }
    scripted.loop.skip(6s);
    lose();
    CHECK(*scripted.station.link.next_wake() - scripted.loop.now() <= adapters::BackOff::shortest);
}

TEST_CASE("a listener may close the link from inside any call") {
    struct Closer : RecordingListener {
        void link_up(Instant now) override {
            RecordingListener::link_up(now);
            if (on_up) link->close();
        }
        void received(Instant now, const adapters::Message& message) override {
            RecordingListener::received(now, message);
            link->close();
        }
        MosquittoLink* link = nullptr;
        bool on_up = false;
    };
    ScriptedServer server;
    for (const bool on_up : {true, false}) {
        MosquittoLink link(settings(server.port(), "closer"));
        Closer closer;
        closer.link = &link;
        closer.on_up = on_up;
        link.listen(&closer);
        Loop loop({&link});
        REQUIRE(loop.until([&] { return server.accept(); }));
        server.say(connack_5);
        REQUIRE(loop.until([&] { return closer.ups.size() == 1; }));
        if (!on_up) server.say(publish_packet("bye"));
        REQUIRE(loop.until([&] { return !link.next_wake(); }));
        CHECK(closer.downs.empty());
    }
}
