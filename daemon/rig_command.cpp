#include "daemon/rig_command.h"

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <fstream>
#include <memory>
#include <nlohmann/json.hpp>
#include <random>
#include <string>

#include "adapters/mosquitto_link.h"
#include "adapters/virtual_rig/virtual_rig.h"
#include "daemon/loop.h"

namespace ampmarshal::daemon {

namespace {

using namespace std::chrono_literals;
using rules::Duration;
using rules::Instant;
using virtual_rig::Happening;

constexpr Duration beat = 5ms;
constexpr Duration unmanaged_beat = 20ms;

struct Options {
    std::string host = "127.0.0.1";
    int port = 1883;
    std::uint64_t seed = std::random_device{}();
    double speed = 1;
    double seconds = 0;
    bool unmanaged = false;
    std::string summary;
};

/// Nothing for what is only of interest to a physicist.
std::string told(const virtual_rig::StoryEvent& e) {
    char text[160];
    const auto write = [&](const char* format, auto... values) {
        std::snprintf(text, sizeof text, format, values...);
        return std::string(text);
    };
    const std::string who(e.subject);
    const std::string part(e.part);
    switch (e.what) {
        case Happening::contact_closed: return who + ": contact closed";
        case Happening::contact_opened: return who + ": contact opened";
        case Happening::load_on: return write("%s: begins to draw %.1f A", who.c_str(), e.current_a);
        case Happening::load_off: return who + ": stops";
        case Happening::start_began:
            return write("%s: %s starts, %.0f A", who.c_str(), part.c_str(), e.current_a);
        case Happening::start_ended:
            return write("%s: %s runs, %.1f A", who.c_str(), part.c_str(), e.current_a);
        case Happening::stalled:
            return write("%s: %s STALLED at %.0f A", who.c_str(), part.c_str(), e.current_a);
        case Happening::overload_opened: return who + ": its own overload opened";
        case Happening::short_cycled: return who + ": restarted before its pressure had equalised";
        case Happening::overlapped:
            return write("motors start at once with %.1f A through %s", e.current_a,
                         std::string(e.part).c_str());
        case Happening::tripped:
            return write("%s: TRIPPED (%s) at %.0f A", who.c_str(), part.c_str(), e.current_a);
        case Happening::supply_lost: return "the supply is lost";
        case Happening::supply_back: return "the supply is back";
        case Happening::source_changed: return "plugged into " + who;
        case Happening::set: return write("%s: set to %.1f A", who.c_str(), e.current_a);
    }
    return {};
}

/// Rig time runs `speed` times as fast as the clock, from the same moment on.
class RigClock {
  public:
    RigClock(Instant start, double speed) : start_(start), speed_(speed) {}
    Instant at(Instant clock) const {
        return start_ + rules::from_seconds(rules::seconds(clock - start_) * speed_);
    }
    double since_start_s(Instant rig) const { return rules::seconds(rig - start_); }

  private:
    Instant start_;
    double speed_;
};

bool write_summary(std::ostream& file, const virtual_rig::Truth& truth, std::uint64_t seed) {
    double worst_a = 0;
    for (rules::Leg leg : rules::all_legs)
        worst_a = std::max(worst_a, truth.worst_a[leg]);
    nlohmann::json summary{{"trips", truth.trips.size()},
                           {"starts", truth.motor_starts},
                           {"overlaps_beyond_limit", truth.overlaps_beyond_limit},
                           {"worst_a", worst_a},
                           {"least_time_to_trip_s", nullptr},
                           {"loads_served", truth.loads_served},
                           {"seed", seed}};
    if (truth.least_time_to_trip_s) summary["least_time_to_trip_s"] = *truth.least_time_to_trip_s;
    file << summary.dump(2) << '\n';
    return static_cast<bool>(file.flush());
}

int cannot_write(const std::string& path) {
    std::fprintf(stderr, "ampmarshal rig: cannot write '%s'; name a file in a folder you may write to\n",
                 path.c_str());
    return 1;
}

/// Stands between the link and the rig, which does not care who listens, to tell a person about the
/// connection.
class ConnectionTeller : public adapters::Link::Listener {
  public:
    explicit ConnectionTeller(virtual_rig::VirtualRig& rig) : rig_(rig) {}
    void link_up(Instant now) override {
        say("connected to the broker");
        rig_.link_up(now);
    }
    void link_down(Instant now, std::string_view why) override {
        say("no connection: " + std::string(why));
        rig_.link_down(now, why);
    }
    void received(Instant now, const adapters::Message& message) override { rig_.received(now, message); }

  private:
    static void say(const std::string& what) {
        std::printf("rig | %s\n", what.c_str());
        std::fflush(stdout);
    }
    virtual_rig::VirtualRig& rig_;
};

int run(const Options& options) {
    // Opened first: nobody wants to hear after an hour that the summary cannot be written.
    std::ofstream summary;
    if (!options.summary.empty()) {
        summary.open(options.summary);
        if (!summary) return cannot_write(options.summary);
    }
    Loop loop({SIGTERM, SIGINT});
    adapters::MosquittoLink link(
        {.host = options.host, .port = options.port, .client_id = "virtual-rig-" + std::to_string(getpid())});
    const Instant start = boot_time();
    const RigClock clock(start, options.speed);

    virtual_rig::RigPlan plan = virtual_rig::demo_plan();
    plan.managed = !options.unmanaged;
    virtual_rig::VirtualRig rig(plan, options.seed, link, start);
    std::printf("rig | seed %llu; %s\n", static_cast<unsigned long long>(options.seed), rig.drawn().c_str());
    rig.on_story([&](const virtual_rig::StoryEvent& event) {
        std::printf("rig | %6.1f s  %s\n", clock.since_start_s(event.at), told(event).c_str());
        std::fflush(stdout);
    });

    ConnectionTeller teller(rig);
    link.listen(&teller);

    Loop::Callbacks callbacks;
    callbacks.on_signal = [&](Instant, int) { loop.quit(); };
    callbacks.beat = [&](Instant now) {
        const Instant rig_now = clock.at(now);
        rig.advance(rig_now);
        const bool over = options.seconds > 0 && clock.since_start_s(rig_now) >= options.seconds;
        const bool lost = options.unmanaged && !rig.truth().trips.empty();  // nothing more will happen
        if (over || lost) loop.quit();
    };
    loop.run([&]() -> adapters::MosquittoLink& { return link; }, options.unmanaged ? unmanaged_beat : beat,
             callbacks);
    link.close();

    const virtual_rig::Truth truth = rig.truth();
    std::printf("rig | over: %zu trips, %d motor starts, %d of %zu loads served\n", truth.trips.size(),
                truth.motor_starts, truth.loads_served, truth.loads.size());
    if (summary.is_open() && !write_summary(summary, truth, options.seed))
        return cannot_write(options.summary);
    return 0;
}

}  // namespace

void add_rig_command(CLI::App& app) {
    auto options = std::make_shared<Options>();
    CLI::App* rig = app.add_subcommand(
        "rig", "Run the virtual rig against a broker, to try ampmarshald without hardware");
    rig->add_option("--host", options->host, "Broker")->capture_default_str();
    rig->add_option("--port", options->port, "Broker's port")
        ->capture_default_str()
        ->check(CLI::Range(1, 65535));
    rig->add_option("--seed", options->seed,
                    "Draws the breaker's trip point and all noise; random if not given");
    rig->add_option("--seconds", options->seconds,
                    "End after so many seconds of rig time; without it, at SIGTERM or SIGINT")
        ->check(CLI::PositiveNumber);
    CLI::Option* unmanaged =
        rig->add_flag("--unmanaged", options->unmanaged,
                      "The rig as it is without ampmarshal: every contact closed; ends at the first trip");
    rig->add_option("--speed", options->speed,
                    "Rig seconds per second; only without ampmarshal, which lives in real time")
        ->check(CLI::Range(0.1, 100.0))
        ->needs(unmanaged);
    rig->add_option("--summary", options->summary, "Write what really happened to this file, as JSON");
    rig->footer("Example: ampmarshal rig --port 1883 --seed 7 --seconds 90");
    rig->callback([options] {
        if (const int code = run(*options)) throw CLI::RuntimeError(code);
    });
}

}  // namespace ampmarshal::daemon
