#include "daemon/trials/live_trials.h"

#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <optional>
#include <sstream>

#include "daemon/connection.h"
#include "daemon/loop.h"
#include "daemon/output.h"
#include "daemon/trials/figures.h"
#include "daemon/trials/start_guide.h"

namespace ampmarshal::daemon::trials {

namespace {

using namespace std::chrono_literals;

constexpr int exit_failed = 1;
constexpr int exit_wrong = 2;
constexpr rules::Duration beat = 100ms;
const std::string header = "load,fitting,volts,before_a,fan_start_a,fan_running_a,start_a,running_a\n";
const Output output("ampmarshal trials");

std::string row(const Trial& t) {
    const auto cell = [](std::optional<double> value) {
        std::string text = ",";
        if (value) text += figure(*value, 2);
        return text;
    };
    return t.load + "," + t.fitting + cell(t.volts) + cell(t.before_a) + cell(t.fan_start_a) +
           cell(t.fan_running_a) + cell(t.start_a) + cell(t.running_a) + "\n";
}

/// What the file holds already, to be added to; nothing, with a complaint, if it is not for us to add to.
std::optional<std::string> so_far(const std::string& path) {
    std::error_code unknown;
    if (!std::filesystem::exists(path, unknown)) return header;
    std::ostringstream text;
    text << std::ifstream(path, std::ios::binary).rdbuf();
    TrialReader reader;
    reader.read(text.str(), path);
    if (text.str().starts_with(header) && reader.mistakes().empty()) return text.str();
    output.complain("'" + path + "' is there, and is no file that this command wrote; name another one");
    return std::nullopt;
}

/// The load's stages and its meter, found in a configuration.
struct Place {
    Configuration configuration;
    rules::Load load;
    adapters::MeterWiring meter;
};

std::optional<Place> place_of(const LiveOptions& options) {
    auto read = load_configuration(options.configuration);
    if (const auto* mistakes = std::get_if<Mistakes>(&read)) {
        for (const auto& mistake : *mistakes)
            output.complain(options.configuration + ": " + sentence(mistake));
        return std::nullopt;
    }
    auto& configuration = std::get<Configuration>(read);
    std::string known;
    for (const auto& load : configuration.rig.loads) {
        known += (known.empty() ? "" : ", ") + load.id;
        if (load.id != options.load) continue;
        // A 240 V load draws the same on both legs: the first one tells it all.
        const auto meter = std::find_if(configuration.meters.begin(), configuration.meters.end(),
                                        [&](const auto& m) { return m.leg == load.legs.first(); });
        if (meter == configuration.meters.end()) break;
        return Place{configuration, load, *meter};
    }
    output.complain("\"" + options.load + "\" is no load of this configuration; give one of " + known);
    return std::nullopt;
}

class LiveTrials : public adapters::Link::Listener {
  public:
    LiveTrials(const Place& place, const LiveOptions& options, std::string content, adapters::Link& link)
        : meters_({place.meter}),
          guide_(place.load, options.fitting, options.starts,
                 {place.meter.period, place.meter.stale_after, place.meter.peak.has_value()}),
          file_(options.file),
          content_(std::move(content)),
          link_(link) {
        link_.listen(this);
        for (const std::string& topic : meters_.topics())
            link_.subscribe(topic);
    }
    ~LiveTrials() override { link_.listen(nullptr); }
    LiveTrials(const LiveTrials&) = delete;
    LiveTrials& operator=(const LiveTrials&) = delete;

    void link_up(rules::Instant) override { tell("Connected to the broker."); }
    void link_down(rules::Instant, std::string_view why) override {
        tell("No connection to the broker: " + std::string(why) + ".");
    }
    void received(rules::Instant now, const adapters::Message& message) override {
        samples_.clear();
        meters_.received(now, message, samples_);
        for (const auto& sample : samples_)
            guide_.sample(sample);
        move_on();
    }
    void tick(rules::Instant now) {
        guide_.tick(now);
        move_on();
    }
    bool over() const { return failed_ || guide_.done(); }
    bool saved_all() const { return !failed_ && guide_.done(); }
    std::size_t saved() const { return saved_; }

  private:
    void tell(const std::string& sentence) { failed_ |= !output.print(sentence + "\n"); }

    /// Saves what is new first: nothing is told of that is not safe.
    void move_on() {
        for (; !failed_ && saved_ < guide_.trials().size(); ++saved_) {
            content_ += row(guide_.trials()[saved_]);
            failed_ |= !output.write_whole(file_, content_);
        }
        for (const std::string& sentence : guide_.take_words())
            tell(sentence);
        for (const std::string& notice : meters_.take_notices())
            output.complain(notice);
    }

    adapters::Meters meters_;
    StartGuide guide_;
    std::string file_;
    std::string content_;
    adapters::Link& link_;
    std::vector<rules::MeterSample> samples_;
    std::size_t saved_ = 0;
    bool failed_ = false;
};

}  // namespace

int take_live_trials(const LiveOptions& options) {
    const auto place = place_of(options);
    if (!place) return exit_wrong;
    const auto content = so_far(options.file);
    if (!content) return exit_wrong;

    auto settings = broker_settings(place->configuration.broker, [](Severity, std::string_view sentence) {
        output.complain(std::string(sentence));
    });
    // The daemon's own id would throw the daemon out.
    settings.client_id = "ampmarshal-trials-" + std::to_string(::getpid());
    adapters::MosquittoLink link(settings);
    LiveTrials live(*place, options, *content, link);
    Loop loop({SIGTERM, SIGINT});
    Loop::Callbacks callbacks;
    callbacks.on_signal = [&](rules::Instant, int) { loop.quit(); };
    callbacks.beat = [&](rules::Instant now) {
        live.tick(now);
        if (live.over()) loop.quit();
    };
    loop.run([&]() -> adapters::MosquittoLink& { return link; }, beat, callbacks);
    link.close();
    const std::string told = std::to_string(live.saved()) + " of " + std::to_string(options.starts) +
                             " starts are in '" + options.file + "'";
    if (live.saved_all()) {
        return output.print(told + ". `ampmarshal trials " + options.file + "` tells what they say.\n")
                   ? 0
                   : exit_failed;
    }
    output.complain("ended early: " + told);
    return exit_failed;
}

}  // namespace ampmarshal::daemon::trials
