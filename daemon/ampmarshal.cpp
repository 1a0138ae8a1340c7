// ampmarshal: the command a person types. Each subcommand is a file of its own.
// Exit codes: 0 done, 1 it could not be done, 2 the command line, or a file it names, is wrong.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "daemon/plan/plan_command.h"
#include "daemon/rig_command.h"
#include "daemon/trials/trials_command.h"

namespace {

constexpr int exit_failed = 1;
constexpr int exit_wrong = 2;

int run(int argc, char** argv) {
    CLI::App app{
        "Measures starts, plans what a power source will carry, and tries it out. It is no protective "
        "device."};
    app.set_version_flag("--version", AMPMARSHAL_VERSION);
    app.require_subcommand(1);
    ampmarshal::daemon::add_rig_command(app);
    ampmarshal::daemon::add_trials_command(app);
    ampmarshal::daemon::add_plan_command(app);
    app.footer(
        "Exit codes: 0 done, 1 it could not be done, 2 the command line, or a file it names, is wrong.");
    try {
        app.parse(argc, argv);
    } catch (const CLI::RuntimeError& e) {
        return e.get_exit_code();
    } catch (const CLI::ParseError& e) {
        return app.exit(e) == 0 ? 0 : exit_wrong;
    }
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    try {
        return run(argc, argv);
    } catch (const std::exception& e) {
        std::fprintf(stderr, "ampmarshal: %s\n", e.what());
        return exit_failed;
    }
}
