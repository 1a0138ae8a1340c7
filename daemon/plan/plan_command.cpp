#include "daemon/plan/plan_command.h"

#include <CLI/CLI.hpp>
#include <fstream>
#include <memory>
#include <optional>

#include "daemon/configuration.h"
#include "daemon/output.h"
#include "daemon/plan/cord.h"
#include "daemon/plan/plan_page.h"
#include "daemon/plan/plan_report.h"
#include "daemon/plan/what_if.h"

namespace ampmarshal::daemon {

namespace {

constexpr int exit_failed = 1;
constexpr int exit_wrong = 2;
const Output output("ampmarshal plan");

struct Options {
    std::string configuration;
    std::string source;
    std::vector<std::string> want;
    std::vector<std::string> what_if;
    std::string cord;
    double impedance_ohm = 0;
    double background_a = 0;
    bool json = false;
    std::string page;
};

void tell(const std::string& path, const Mistakes& mistakes) {
    for (const Mistake& mistake : mistakes)
        output.complain(path + ": " + sentence(mistake));
}

std::optional<Configuration> configuration_of(const Options& options) {
    std::ifstream file(options.configuration, std::ios::binary);
    std::string text(largest_configuration_bytes + 1, '\0');
    file.read(text.data(), static_cast<std::streamsize>(text.size()));
    if (!file.eof() && file.gcount() == 0) {
        output.complain(options.configuration + ": cannot be read; name a configuration that you may read");
        return std::nullopt;
    }
    text.resize(static_cast<std::size_t>(file.gcount()));
    // Nothing is put into what could not be read anyway: its own mistakes are told.
    auto read = read_configuration(text);
    if (std::holds_alternative<Configuration>(read) && !options.what_if.empty()) {
        const auto changed = plan::with_figures(std::move(text), options.what_if);
        if (const auto* mistakes = std::get_if<Mistakes>(&changed)) {
            tell(options.configuration, *mistakes);
            return std::nullopt;
        }
        read = read_configuration(std::get<std::string>(changed));
    }
    if (const auto* mistakes = std::get_if<Mistakes>(&read)) {
        tell(options.configuration, *mistakes);
        return std::nullopt;
    }
    Configuration& configuration = std::get<Configuration>(read);
    tell(options.configuration, configuration.warnings);
    return std::move(configuration);
}

template <class Things>
std::string known(const Things& things) {
    std::string out;
    for (const auto& thing : things)
        out += (out.empty() ? "" : ", ") + thing.id;
    return out;
}

template <class Things>
std::optional<std::size_t> find(const Things& things, const std::string& id, const char* what) {
    for (std::size_t i = 0; i < things.size(); ++i)
        if (things[i].id == id) return i;
    output.complain("\"" + id + "\" is no " + what + " of this configuration; give one of " + known(things));
    return std::nullopt;
}

/// Nothing if an id is wrong, which has been told.
std::optional<plan::Loads> wanted(const rules::Rig& rig, const std::vector<std::string>& ids) {
    plan::Loads loads;
    for (const std::string& id : ids) {
        const auto load = find(rig.loads, id, "load");
        if (!load) return std::nullopt;
        if (std::find(loads.begin(), loads.end(), *load) == loads.end()) loads.push_back(*load);
    }
    for (rules::LoadIndex i = 0; ids.empty() && i < rig.loads.size(); ++i)
        if (rig.loads[i].controlled()) loads.push_back(i);
    return loads;
}

int run(const Options& options) {
    const auto cord_ohm = options.cord.empty() ? 0 : plan::cord_loop_ohm(options.cord);
    if (!cord_ohm) {
        output.complain("--cord \"" + options.cord +
                        "\" is not understood; give 18 to 2 AWG and up to 1000 ft, for instance 12AWG,100ft "
                        "or 10AWG,15m");
        return exit_wrong;
    }
    const auto configuration = configuration_of(options);
    if (!configuration) return exit_wrong;
    const rules::Rig& rig = configuration->rig;
    const auto loads = wanted(rig, options.want);
    const auto only = options.source.empty() ? 0 : find(rig.sources, options.source, "source");
    if (!loads || !only) return exit_wrong;

    plan::Plans plans{rig, {options.background_a, options.impedance_ohm + *cord_ohm}, *loads, {}};
    for (rules::SourceIndex s = 0; s < rig.sources.size(); ++s)
        if (options.source.empty() || s == *only)
            plans.sources.push_back(plan::make_plan(plan::Planner(rig, s, plans.surroundings), *loads));
    if (!options.page.empty() && !output.write_whole(options.page, plan::page(plans))) return exit_failed;
    return output.print(options.json ? plan::as_json(plans) : plan::table(plans, emphasis())) ? 0
                                                                                              : exit_failed;
}

}  // namespace

void add_plan_command(CLI::App& app) {
    auto options = std::make_shared<Options>();
    CLI::App* command = app.add_subcommand(
        "plan", "Tell what each source will start and carry, in which order, and what would help");
    command->add_option("CONFIG", options->configuration, "The rig's configuration")->required();
    command->add_option("--source", options->source, "Only this source, by its id");
    command
        ->add_option("--want", options->want,
                     "Loads that should run together, by id (a,b,c); all if not given")
        ->delimiter(',')
        ->allow_extra_args(false);
    command
        ->add_option("--what-if", options->what_if,
                     "Another figure than the configuration's: ID.KEY=VALUE; may be given again")
        ->allow_extra_args(false);
    command->add_option("--cord", options->cord, "Copper cord to the source: gauge and length, 12AWG,100ft");
    command
        ->add_option("--impedance", options->impedance_ohm,
                     "Resistance of what feeds the source, in ohms, there and back; added to the cord's")
        ->check(CLI::Range(0.0, 5.0));
    command
        ->add_option("--background", options->background_a,
                     "What flows on each leg besides the loads, in amperes")
        ->check(CLI::Range(0.0, 1000.0));
    command->add_flag("--json", options->json, "Print JSON instead of the table");
    command->add_option("--html", options->page, "Write a page with the matrix and charts to this file");
    command->footer(
        "Examples:\n"
        "  ampmarshal plan rig.jsonc\n"
        "  ampmarshal plan rig.jsonc --source generator --want ac-front,charger\n"
        "  ampmarshal plan rig.jsonc --what-if ac-front.start_a=16 --what-if generator.altitude_ft=7000\n"
        "  ampmarshal plan rig.jsonc --source outlet-15 --cord 12AWG,100ft --html plan.html\n\n"
        "Exit codes: 0 a plan was made, whether all fits or not; 1 a result could not be written; 2 the "
        "command\n"
        "line or the configuration is wrong, and nothing is written.");
    command->callback([options] {
        if (const int code = run(*options)) throw CLI::RuntimeError(code);
    });
}

}  // namespace ampmarshal::daemon
