// `ampmarshal plan`: which loads a source will start and carry, and in which order. Reads a configuration,
// asks no broker; writes a table or JSON to standard output and, if asked, a page to a file.
#pragma once

namespace CLI {
class App;
}

namespace ampmarshal::daemon {

/// Adds the subcommand. Its callback throws CLI::RuntimeError with the exit code if it fails.
void add_plan_command(CLI::App& app);

}  // namespace ampmarshal::daemon
