// ampmarshald: reads a configuration, then keeps the rig until it is told to stop.
//   SIGTERM, SIGINT  stop; what happens to the loads is in the configuration ("on_stop")
//   SIGHUP           read the configuration again; a faulty one is refused and the old one stays
// Exit codes: 0 stopped as asked, 1 the system refused something, 2 the command line or the configuration is
// wrong.
#include <systemd/sd-daemon.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <cstdint>
#include <cstdio>
#include <memory>
#include <optional>

#include "daemon/configuration.h"
#include "daemon/connection.h"
#include "daemon/log.h"
#include "daemon/loop.h"
#include "daemon/state_file.h"
#include "daemon/steward.h"

namespace ampmarshal::daemon {
namespace {

using namespace std::chrono_literals;
using rules::Instant;

constexpr rules::Duration beat = 200ms;
constexpr int exit_refused = 1;
constexpr int exit_wrong = 2;

void print(const Mistakes& mistakes, const std::string& path) {
    for (const Mistake& mistake : mistakes)
        std::fprintf(stderr, "%s: %s\n", path.c_str(), sentence(mistake).c_str());
    std::fprintf(stderr, "%s: %zu mistake%s\n", path.c_str(), mistakes.size(),
                 mistakes.size() == 1 ? "" : "s");
}

adapters::BrokerSettings settings_of(const Configuration& c, const Log& log) {
    adapters::BrokerSettings settings = broker_settings(c.broker, log);
    settings.will = last_will(c);
    return settings;
}

/// The service manager's watchdog, fed twice in the time it allows: every message to it waits until it reads.
class Watchdog {
  public:
    Watchdog() {
        std::uint64_t allowed_us = 0;
        if (sd_watchdog_enabled(0, &allowed_us) > 0)
            period_ = std::chrono::microseconds(static_cast<std::int64_t>(allowed_us / 2));
    }
    void feed(Instant now) {
        if (!period_ || now < next_) return;
        sd_notify(0, "WATCHDOG=1");
        next_ = now + *period_;
    }

  private:
    std::optional<rules::Duration> period_;
    Instant next_{};
};

/// One configuration at work: a link and the Steward on it.
struct Watch {
    adapters::MosquittoLink link;
    Steward steward;

    Watch(const Configuration& c, Mode mode, const Log& log, std::int64_t version)
        : link(settings_of(c, log)), steward(c, mode, link, log, version, boot_time()) {}
};

/// The state file, if one is configured. Without it, or when it fails, the rig is kept all the same.
class Keeper {
  public:
    explicit Keeper(Log log) : log_(std::move(log)) {}

    /// From now on it is the file of this configuration.
    void use(const Configuration& configuration) {
        if (configuration.state_file == path_) return;
        file_.reset();
        path_ = configuration.state_file;
        if (!path_) return;
        auto opened = StateFile::open(*path_);
        if (auto* file = std::get_if<StateFile>(&opened))
            file_.emplace(std::move(*file));
        else
            tell(std::get<std::string>(opened));
    }

    /// What an earlier run has kept.
    Heritage recall(const rules::Rig& rig) {
        if (!file_) return {};
        const Clocks clocks = present();
        auto read = file_->read(rig, clocks);
        if (const auto* wrong = std::get_if<std::string>(&read)) {
            tell(*wrong);
            file_.reset();  // a person may want to look at it as it is
            return {};
        }
        auto& found = std::get<StateFile::Found>(read);
        for (const std::string& id : found.forgotten)
            log_(Severity::warning, "what was kept of '" + id + "' is forgotten: it is no load any more");
        for (const std::string& stage : found.changed)
            log_(Severity::warning, "what the starts of " + stage +
                                        " had taught is forgotten: other figures are configured now");
        auto events = daemon::recall(found.memory, rig, clocks.now);
        if (!events.empty()) log_(Severity::info, "what people had set before is in force again");
        return {.events = std::move(events), .lessons = std::move(found.lessons)};
    }

    bool keep(const Memory& memory, const rules::Rig& rig) {
        return !file_ || told(file_->write(memory, rig, present()));
    }
    bool keep(const Lessons& lessons, const rules::Rig& rig) {
        return !file_ || told(file_->write(lessons, rig));
    }

  private:
    static Clocks present() { return {boot_time(), std::chrono::system_clock::now()}; }
    void tell(const std::string& wrong) {
        log_(Severity::warning, "nothing more is kept over a restart: " + wrong);
    }
    /// Once when it begins to fail, and once when it works again. True if it does.
    bool told(const std::string& wrong) {
        if (!wrong.empty() && !failing_) tell(wrong);
        if (wrong.empty() && failing_) log_(Severity::info, "what is to survive a restart is kept again");
        failing_ = !wrong.empty();
        return wrong.empty();
    }

    Log log_;
    std::optional<std::string> path_;
    std::optional<StateFile> file_;
    bool failing_ = false;
};

class Program {
  public:
    Program(std::string path, Mode mode, Log log)
        : path_(std::move(path)), mode_(mode), log_(std::move(log)), keeper_(log_) {}

    int run(const Configuration& configuration) {
        tell_warnings(configuration);
        Loop loop({SIGTERM, SIGINT, SIGHUP});
        watch_ = std::make_unique<Watch>(configuration, mode_, log_, next_version());
        keep(configuration);
        watch_->steward.inherit(keeper_.recall(configuration.rig));
        Loop::Callbacks callbacks;
        callbacks.beat = [&](Instant now) { on_beat(now); };
        callbacks.beat_soon = [&] { return watch_->steward.has_news(); };
        callbacks.on_signal = [&](Instant now, int signal) {
            if (signal == SIGHUP)
                reload(now);
            else
                loop.quit();
        };
        loop.run([&]() -> adapters::MosquittoLink& { return watch_->link; }, beat, callbacks);
        sd_notify(0, "STOPPING=1");
        watch_->steward.stop(boot_time(), watch_->steward.on_stop());
        watch_->link.close();
        return 0;
    }

  private:
    void on_beat(Instant now) {
        watch_->steward.tick(now);
        if (!ready_ && watch_->link.connected()) {
            ready_ = true;  // subscribed: from now on the rig is kept
            sd_notify(0, "READY=1");
        }
        watchdog_.feed(now);
    }

    /// The wall clock, so that it also rises from run to run; by one where the clock stands still or was set
    /// back.
    std::int64_t next_version() {
        const auto since_epoch = std::chrono::system_clock::now().time_since_epoch();
        const std::int64_t clock_s = std::chrono::duration_cast<std::chrono::seconds>(since_epoch).count();
        return version_ = std::max(version_ + 1, clock_s);
    }

    /// What is possible in a configuration, but may not be meant; what the one before has said, is known.
    void tell_warnings(const Configuration& configuration) {
        std::vector<std::string> all;
        for (const Mistake& warning : configuration.warnings)
            all.push_back(sentence(warning));
        for (const std::string& warning : all)
            if (std::find(warned_.begin(), warned_.end(), warning) == warned_.end())
                log_(Severity::warning, warning);
        warned_ = std::move(all);
    }

    void reload(Instant now) {
        auto read = load_configuration(path_);
        if (const auto* mistakes = std::get_if<Mistakes>(&read)) {
            for (const Mistake& mistake : *mistakes)
                log_(Severity::warning, path_ + ": " + sentence(mistake));
            log_(Severity::warning, "the configuration has mistakes and was not taken; the old one stays");
            return;
        }
        log_(Severity::info, "the configuration was read again");
        const auto& configuration = std::get<Configuration>(read);
        tell_warnings(configuration);
        auto heritage = watch_->steward.hand_over(now, configuration);
        watch_->link.close();
        watch_ = std::make_unique<Watch>(configuration, mode_, log_, next_version());
        keep(configuration);
        watch_->steward.inherit(std::move(heritage));
    }

    /// Who only observes leaves the file to the one who keeps the rig.
    void keep(const Configuration& configuration) {
        if (mode_ == Mode::observe) return;
        keeper_.use(configuration);
        Steward& steward = watch_->steward;
        steward.keep_with(
            [&](const Memory& memory) { return keeper_.keep(memory, steward.marshal().rig()); },
            [&](const Lessons& lessons) { return keeper_.keep(lessons, steward.marshal().rig()); });
    }

    std::string path_;
    Mode mode_;
    Log log_;
    std::unique_ptr<Watch> watch_;
    Keeper keeper_;
    Watchdog watchdog_;
    std::vector<std::string> warned_;  ///< of the configuration in force
    std::int64_t version_ = 0;
    bool ready_ = false;
};

int main(int argc, char** argv) {
    CLI::App app{"Keeps a rig's loads inside what its power source carries. It is no protective device."};
    std::string path = "/etc/ampmarshal/ampmarshal.jsonc";
    bool check = false;
    bool observe = false;
    app.add_option("FILE", path, "The configuration")->capture_default_str();
    app.add_flag("--check", check, "Read the configuration, tell every mistake in it, and end");
    app.add_flag("--observe", observe, "Decide and publish, but switch nothing");
    app.set_version_flag("--version", AMPMARSHAL_VERSION);
    app.footer(
        "Exit codes: 0 stopped as asked, 1 the system refused something, 2 the command line or the "
        "configuration is wrong.");
    try {
        app.parse(argc, argv);
    } catch (const CLI::ParseError& e) {
        return app.exit(e) == 0 ? 0 : exit_wrong;
    }

    auto read = load_configuration(path);
    if (const auto* mistakes = std::get_if<Mistakes>(&read)) {
        print(*mistakes, path);
        return exit_wrong;
    }
    const auto& configuration = std::get<Configuration>(read);
    if (check) {
        for (const Mistake& warning : configuration.warnings)
            std::fprintf(stderr, "%s: warning: %s\n", path.c_str(), sentence(warning).c_str());
        std::printf("%s: no mistakes; %zu loads, %zu sources\n", path.c_str(), configuration.rig.loads.size(),
                    configuration.rig.sources.size());
        return 0;
    }
    return Program(path, observe ? Mode::observe : Mode::command, open_log()).run(configuration);
}

}  // namespace
}  // namespace ampmarshal::daemon

int main(int argc, char** argv) {
    try {
        return ampmarshal::daemon::main(argc, argv);
    } catch (const std::exception& e) {
        std::fprintf(stderr, "ampmarshald: %s\n", e.what());
        return ampmarshal::daemon::exit_refused;
    }
}
