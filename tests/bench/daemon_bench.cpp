// ampmarshald against the least that could answer, on one broker, in one run, turn by turn. The rig is a
// generator and one heater. A reading far over the generator's starting rating makes ampmarshald shed the
// heater on that very reading; quiet readings afterwards let it come back. Only the way from that one reading
// to the command is timed.
#include <mosquitto.h>
#include <mqtt_protocol.h>
#include <poll.h>
#include <sched.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <functional>
#include <memory>
#include <optional>
#include <stdexcept>
#include <thread>

#include "tests/bench/bench.h"
#include "tests/broker/child_program.h"
#include "tests/broker/private_broker.h"

namespace ampmarshal::bench {

namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr int rounds = 500;
constexpr double ratio_goal = 1.15;
constexpr int flood = 20'000;
constexpr int floods = 5;
constexpr int starts = 5;
constexpr auto patience = 30s;  ///< what takes longer is broken

/// Both answer the same readings on topics of their own: "<who>/meter" and "<who>/relay".
constexpr const char* who_daemon = "kept";
constexpr const char* who_bare = "bare";
constexpr const char* quiet_reading = R"({"current": 1.2, "voltage": 121.3})";
constexpr const char* overload_reading = R"({"current": 27, "voltage": 117.2})";

/// A connected client of libmosquitto with a loop of its own making: what is queued is written before it
/// waits.
class Client {
  public:
    using OnMessage = std::function<void(Client&, const mosquitto_message&)>;

    Client(const char* id, int port, OnMessage on_message)
        : on_message_(std::move(on_message)), client_(mosquitto_new(id, true, this)) {
        mosquitto_int_option(client_, MOSQ_OPT_PROTOCOL_VERSION, MQTT_PROTOCOL_V5);
        mosquitto_int_option(client_, MOSQ_OPT_TCP_NODELAY, 1);
        mosquitto_message_callback_set(client_, [](mosquitto*, void* self, const mosquitto_message* message) {
            auto& client = *static_cast<Client*>(self);
            client.on_message_(client, *message);
        });
        mosquitto_subscribe_callback_set(client_, [](mosquitto*, void* self, int, int, const int*) {
            static_cast<Client*>(self)->subscribed_ = true;
        });
        if (mosquitto_connect(client_, "127.0.0.1", port, 60) != MOSQ_ERR_SUCCESS)
            throw std::runtime_error("cannot connect to the private broker");
    }
    ~Client() { mosquitto_destroy(client_); }
    Client(const Client&) = delete;
    Client& operator=(const Client&) = delete;

    void subscribe(const std::string& topic) {
        subscribed_ = false;
        mosquitto_subscribe(client_, nullptr, topic.c_str(), 0);
        while (!subscribed_)
            turn(100ms);
    }

    void publish(const std::string& topic, const char* payload) {
        mosquitto_publish(client_, nullptr, topic.c_str(), static_cast<int>(std::strlen(payload)), payload, 0,
                          false);
    }

    /// Waits at most so long for the socket, then does what there is to do.
    void turn(std::chrono::milliseconds at_most) {
        const bool writes = mosquitto_want_write(client_);
        pollfd socket{mosquitto_socket(client_), static_cast<short>(writes ? POLLIN | POLLOUT : POLLIN), 0};
        poll(&socket, 1, static_cast<int>(at_most.count()));
        int result = MOSQ_ERR_SUCCESS;
        if ((socket.revents & POLLIN) != 0) result = mosquitto_loop_read(client_, 1);
        if (result == MOSQ_ERR_SUCCESS && mosquitto_want_write(client_)) mosquitto_loop_write(client_, 1);
        mosquitto_loop_misc(client_);
        if (result != MOSQ_ERR_SUCCESS) throw std::runtime_error("lost the private broker");
    }

    /// The library's own loop, as a client that only answers would use it.
    void turn_forever() { mosquitto_loop_forever(client_, 1000, 1); }

  private:
    OnMessage on_message_;
    mosquitto* client_;
    bool subscribed_ = false;
};

/// A process that answers every overload at once, and does nothing else.
class BareAnswerer {
  public:
    explicit BareAnswerer(int port) : pid_(fork()) {
        if (pid_ != 0) return;
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        try {
            const std::string relay = std::string(who_bare) + "/relay";
            const auto length = static_cast<int>(std::strlen(overload_reading));
            Client client(who_bare, port, [&](Client& self, const mosquitto_message& reading) {
                if (reading.payloadlen == length && std::memcmp(reading.payload, overload_reading, 14) == 0)
                    self.publish(relay, "OFF");
            });
            client.subscribe(std::string(who_bare) + "/meter");
            client.turn_forever();
        } catch (const std::exception&) {
            _exit(1);
        }
    }
    ~BareAnswerer() {
        kill(pid_, SIGKILL);
        waitpid(pid_, nullptr, 0);
    }
    BareAnswerer(const BareAnswerer&) = delete;
    BareAnswerer& operator=(const BareAnswerer&) = delete;

    pid_t pid() const { return pid_; }

  private:
    pid_t pid_;
};

std::string write_configuration(const tests::PrivateBroker& broker) {
    const std::string path = (broker.directory() / "bench.jsonc").string();
    std::ofstream(path) << R"({
  "rig": { "id": "bench", "legs": 1, "nominal_v": 120 },
  "broker": { "host": "127.0.0.1", "port": )"
                        << broker.port() << R"( },
  "sources": [ { "id": "generator", "kind": "generator", "running_w": 2400, "starting_w": 3000,
    "starting_for_s": 600 } ],
  "meters": [ { "id": "main", "leg": "L1", "period_ms": 300, "stale_after_ms": 600000,
    "current": { "topic": "kept/meter", "pointer": "/current" },
    "voltage": { "topic": "kept/meter", "pointer": "/voltage" } } ],
  "loads": [ { "id": "heater", "control": "permitted", "rank": 1,
    "stages": [ { "start_a": 4, "start_window_s": 0.02, "running_a": 4 } ],
    "switch": { "topic": "kept/relay", "latency_ms": 0 } } ],
  "decisions": { "restore_after_s": 0 }
})";
    return path;
}

/// ampmarshald, started, and how long it took to be ready.
struct Daemon {
    Daemon(const std::string& program, const tests::PrivateBroker& broker)
        : notify(broker.directory() / "notify"),
          child({program, write_configuration(broker)}, {{"NOTIFY_SOCKET", notify.path()}}) {
        const auto began = Clock::now();
        while (notify.told("READY=1") == 0) {
            if (child.ended() || Clock::now() - began > patience)
                throw std::runtime_error("ampmarshald was not ready; it said:\n" + child.printed());
            std::this_thread::sleep_for(200us);
        }
        ready_after_ms = std::chrono::duration<double, std::milli>(Clock::now() - began).count();
    }

    /// A pipe or a socket that nobody reads would stop it in the end.
    void hear_out() {
        child.printed();
        notify.told("WATCHDOG=1");
    }

    /// In KiB, as /proc tells it under this name.
    long memory_kib(const std::string& name) const {
        std::ifstream status("/proc/" + std::to_string(child.pid()) + "/status");
        for (std::string line; std::getline(status, line);)
            if (line.rfind(name + ":", 0) == 0) return std::stol(line.substr(name.size() + 1));
        return 0;
    }

    tests::NotifySocket notify;
    tests::ChildProgram child;
    double ready_after_ms = 0;
};

/// The meter and the relay of both, and the clock.
class Driver {
  public:
    Driver(int port, Daemon& daemon)
        : daemon_(daemon),
          client_("driver", port, [this](Client&, const mosquitto_message& message) { heard(message); }) {
        client_.subscribe("+/relay");
    }

    /// The load is on again and everything is still. The answerer that has no load gets as many readings.
    void prepare(const std::string& who) {
        relay_.reset();
        const bool has_load = who == who_daemon;
        const auto began = Clock::now();
        for (int n = 0; has_load ? relay_ != "ON" : n < 4; ++n) {
            if (Clock::now() - began > patience)
                throw std::runtime_error("the load does not come back; ampmarshald said:\n" +
                                         daemon_.child.printed());
            client_.publish(who + "/meter", quiet_reading);
            for (const auto until = Clock::now() + 2ms; Clock::now() < until;)
                client_.turn(1ms);
        }
        daemon_.hear_out();
        for (const auto until = Clock::now() + 10ms; Clock::now() < until;)
            client_.turn(2ms);
    }

    /// From the overload reading to the command, in microseconds.
    double round_trip_us(const std::string& who) {
        prepare(who);
        const auto began = Clock::now();
        overload(who, began);
        const auto took = Clock::now() - began;
        client_.publish(who + "/meter", quiet_reading);  // over before it warms the generator
        return std::chrono::duration<double, std::micro>(took).count();
    }

    double messages_per_second(const std::string& who) {
        prepare(who);
        const auto began = Clock::now();
        for (int n = 0; n < flood; ++n) {
            client_.publish(who + "/meter", quiet_reading);
            if (n % 50 == 0) client_.turn(0ms);
        }
        overload(who, began);
        const auto took = Clock::now() - began;
        client_.publish(who + "/meter", quiet_reading);
        return flood / std::chrono::duration<double>(took).count();
    }

  private:
    void overload(const std::string& who, Clock::time_point began) {
        relay_.reset();
        client_.publish(who + "/meter", overload_reading);
        while (relay_ != "OFF") {
            client_.turn(100ms);
            if (Clock::now() - began > patience)
                throw std::runtime_error("no answer from '" + who + "'; ampmarshald said:\n" +
                                         daemon_.child.printed());
        }
    }

    void heard(const mosquitto_message& message) {
        relay_.emplace(static_cast<const char*>(message.payload),
                       static_cast<std::size_t>(message.payloadlen));
    }

    Daemon& daemon_;
    std::optional<std::string> relay_;
    Client client_;
};

/// Returns the ratio of the medians.
double show_round_trip(Driver& driver, const char* where) {
    std::vector<double> kept_us;
    std::vector<double> bare_us;
    for (int n = 0; n < rounds + 20; ++n) {
        const double kept = driver.round_trip_us(who_daemon);
        const double bare = driver.round_trip_us(who_bare);
        if (n < 20) continue;  // warming up
        kept_us.push_back(kept);
        bare_us.push_back(bare);
    }
    const double ratio = quantile(kept_us, 0.5) / quantile(bare_us, 0.5);
    std::printf("Round trip from reading to command, %d rounds turn by turn, %s\n", rounds, where);
    std::printf("  ampmarshald   median %6.0f us, p95 %6.0f us\n", quantile(kept_us, 0.5),
                quantile(kept_us, 0.95));
    std::printf("  bare client   median %6.0f us, p95 %6.0f us\n", quantile(bare_us, 0.5),
                quantile(bare_us, 0.95));
    std::printf("  ratio of the medians %.2f\n", ratio);
    return ratio;
}

void bench_throughput(Driver& driver) {
    std::vector<double> kept;
    std::vector<double> bare;
    for (int n = 0; n < floods; ++n) {
        kept.push_back(driver.messages_per_second(who_daemon));
        bare.push_back(driver.messages_per_second(who_bare));
    }
    std::printf("Readings a second, %d at once, median of %d\n", flood, floods);
    std::printf("  ampmarshald   %8.0f\n  bare client   %8.0f\n", quantile(kept, 0.5), quantile(bare, 0.5));
}

/// Puts everything that measures or is measured on one processor, for as long as it lives. With several it is
/// the scheduler's luck which one is woken, and from how deep a sleep; on one the work itself shows.
class OnOneProcessor {
  public:
    explicit OnOneProcessor(std::vector<pid_t> processes) : processes_(std::move(processes)) {
        sched_getaffinity(0, sizeof before_, &before_);
        cpu_set_t one;
        CPU_ZERO(&one);
        CPU_SET(sched_getcpu(), &one);
        put(one);
    }
    ~OnOneProcessor() { put(before_); }
    OnOneProcessor(const OnOneProcessor&) = delete;
    OnOneProcessor& operator=(const OnOneProcessor&) = delete;

  private:
    void put(const cpu_set_t& set) {
        for (const pid_t process : processes_)
            sched_setaffinity(process, sizeof set, &set);
    }

    std::vector<pid_t> processes_;
    cpu_set_t before_{};
};

}  // namespace

bool bench_daemon(const std::string& ampmarshald) {
    mosquitto_lib_init();
    std::signal(SIGPIPE, SIG_IGN);
    tests::PrivateBroker broker;
    broker.start("allow_anonymous true\nmax_queued_messages 0\n");  // a flood must not lose anything

    std::vector<double> ready_ms;
    std::unique_ptr<Daemon> daemon;
    for (int n = 0; n < starts; ++n) {
        daemon.reset();  // the name of its socket is free again
        daemon = std::make_unique<Daemon>(ampmarshald, broker);
        ready_ms.push_back(daemon->ready_after_ms);
    }
    std::printf("Start to ready, median of %d: %.0f ms\n", starts, quantile(ready_ms, 0.5));
    const BareAnswerer bare(broker.port());
    std::this_thread::sleep_for(500ms);  // it subscribes
    Driver driver(broker.port(), *daemon);
    std::printf("Resident memory at rest: %ld KiB\n", daemon->memory_kib("VmRSS"));
    show_round_trip(driver, "on all processors");
    const bool meets = [&] {
        const OnOneProcessor one({getpid(), broker.pid(), daemon->child.pid(), bare.pid()});
        return show_round_trip(driver, "all on one processor") <= ratio_goal;
    }();
    std::printf("  goal: at most %.2f on one processor%s\n", ratio_goal, meets ? "" : "   MISSED");
    bench_throughput(driver);
    std::printf("Resident memory after that: %ld KiB, at most %ld KiB\n", daemon->memory_kib("VmRSS"),
                daemon->memory_kib("VmHWM"));
    return meets;
}

}  // namespace ampmarshal::bench
