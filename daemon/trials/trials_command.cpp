#include "daemon/trials/trials_command.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <memory>
#include <optional>

#include "daemon/configuration.h"
#include "daemon/output.h"
#include "daemon/trials/live_trials.h"
#include "daemon/trials/trial_page.h"
#include "daemon/trials/trial_report.h"

namespace ampmarshal::daemon {

namespace {

constexpr int exit_failed = 1;
constexpr int exit_wrong = 2;

struct Options {
    std::vector<std::string> files;
    bool json = false;
    std::string page;
    std::string profile;
    std::string configuration;
    trials::LiveOptions live;
};

const Output output("ampmarshal trials");

void complain_about_all(const std::vector<std::string>& mistakes) {
    constexpr std::size_t most = 50;  // a wrong separator gives as many as there are lines
    for (std::size_t i = 0; i < std::min(mistakes.size(), most); ++i)
        output.complain(mistakes[i]);
    if (mistakes.size() > most) output.complain("and " + std::to_string(mistakes.size() - most) + " more");
}

trials::TrialReader read_files(const std::vector<std::string>& paths) {
    trials::TrialReader reader;
    for (const auto& path : paths) {
        std::ifstream file(path, std::ios::binary);
        // One byte more than is allowed, so that the reader sees that it is too much.
        std::string text(trials::largest_file_bytes + 1, '\0');
        file.read(text.data(), static_cast<std::streamsize>(text.size()));
        if (file.bad() || (file.fail() && !file.eof())) {
            reader.complain(path + ": cannot be read; name a CSV file that you may read");
            continue;
        }
        text.resize(static_cast<std::size_t>(file.gcount()));
        reader.read(text, path);
    }
    return reader;
}

/// The tightest limits of each source. Nothing if the configuration has mistakes, which are told.
std::optional<std::vector<trials::SourceMark>> sources_of(const std::string& path) {
    std::vector<trials::SourceMark> marks;
    if (path.empty()) return marks;
    const auto read = load_configuration(path);
    if (const auto* mistakes = std::get_if<Mistakes>(&read)) {
        for (const auto& mistake : *mistakes)
            output.complain(path + ": " + sentence(mistake));
        return std::nullopt;
    }
    for (const auto& source : std::get<Configuration>(read).rig.sources) {
        trials::SourceMark mark{source.name, source.limits[0].ceiling_a, source.limits[0].steady_a};
        for (const auto& limit : source.limits) {
            mark.ceiling_a = std::min(mark.ceiling_a, limit.ceiling_a);
            mark.steady_a = std::min(mark.steady_a, limit.steady_a);
        }
        marks.push_back(std::move(mark));
    }
    return marks;
}

int run(const Options& options) {
    const trials::TrialReader reader = read_files(options.files);
    complain_about_all(reader.mistakes());
    const auto sources = sources_of(options.configuration);
    if (!reader.mistakes().empty() || !sources) return exit_wrong;

    const trials::Results results = trials::evaluate(reader.trials(), reader.unit());
    if (!options.page.empty() && !output.write_whole(options.page, trials::page(results, *sources)))
        return exit_failed;
    if (!options.profile.empty() && !output.write_whole(options.profile, trials::profiles(results)))
        return exit_failed;
    return output.print(options.json ? trials::as_json(results) : trials::table(results, emphasis()))
               ? 0
               : exit_failed;
}

int run_live(Options& options) {
    if (options.files.size() != 1) {
        output.complain("--from-broker wants one FILE, to add the starts to");
        return exit_wrong;
    }
    options.live.file = options.files.front();
    return trials::take_live_trials(options.live);
}

/// It becomes a cell of a CSV file.
std::string fitting_fault(const std::string& text) {
    constexpr std::size_t longest = 40;
    const bool plain = std::all_of(text.begin(), text.end(), [](unsigned char c) {
        return c > ' ' && c < 0x7f && c != ',' && c != '"';
    });
    return plain && !text.empty() && text.size() <= longest
               ? ""
               : "a word of at most 40 letters, without commas or quotes: bare, soft-start";
}

/// The options of `--from-broker`.
void add_live_options(CLI::App& command, Options& options) {
    CLI::Option* live = command.add_option(
        "--from-broker", options.live.configuration,
        "Take the starts from the meter of this configuration, over MQTT, and add them to FILE");
    for (const char* other : {"--json", "--html", "--profile", "--config"})
        live->excludes(command.get_option(other));
    CLI::Option* load =
        command.add_option("--load", options.live.load, "Whose starts, by its id")->needs(live);
    live->needs(load);
    command
        .add_option("--fitting", options.live.fitting,
                    "What it is measured with: bare, soft-start, or another word of yours")
        ->capture_default_str()
        ->check(fitting_fault, "WORD")
        ->needs(live);
    command.add_option("--starts", options.live.starts, "How many")
        ->capture_default_str()
        ->check(CLI::Range(1, 100))
        ->needs(live);
}

}  // namespace

void add_trials_command(CLI::App& app) {
    auto options = std::make_shared<Options>();
    CLI::App* command = app.add_subcommand(
        "trials", "Tell what each load draws at its start, from readings taken by hand or live (CSV)");
    command->add_option("FILE", options->files, "CSV files with one start in each row")->required();
    command->add_flag("--json", options->json, "Print JSON instead of the table");
    CLI::Option* page = command->add_option("--html", options->page, "Write a page with charts to this file");
    command->add_option("--profile", options->profile,
                        "Write load profiles for the configuration to this file");
    command
        ->add_option("--config", options->configuration,
                     "The rig's configuration: its sources become lines in the charts")
        ->needs(page);
    add_live_options(*command, *options);
    command->footer(
        "Columns: load, fitting, before_a, start_a, running_a and, where there is something to write,\n"
        "fan_start_a, fan_running_a, volts, note. Readings may be in _va or _w instead of _a (with volts).\n"
        "Lines that begin with # are comments.\n\n"
        "Examples:\n"
        "  ampmarshal trials bare.csv soft-start.csv\n"
        "  ampmarshal trials trials.csv --html trials.html --config rig.jsonc\n"
        "  ampmarshal trials trials.csv --profile loads.jsonc\n"
        "  ampmarshal trials trials.csv --json | jq '.comparisons[] | .reduction_percent'\n"
        "  ampmarshal trials --from-broker rig.jsonc --load ac-front --fitting bare trials.csv\n\n"
        "Exit codes: 0 done, 1 a result could not be written, 2 the command line or a file is wrong;\n"
        "then nothing is written and every mistake is told with its place. With --from-broker, 1 also\n"
        "means that it was ended before all starts were taken; those that were are in FILE.");
    command->callback([options] {
        const bool live = !options->live.configuration.empty();
        if (const int code = live ? run_live(*options) : run(*options)) throw CLI::RuntimeError(code);
    });
}

}  // namespace ampmarshal::daemon
