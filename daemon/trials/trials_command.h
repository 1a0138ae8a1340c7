// `ampmarshal trials`: reads starts measured by hand and tells what each load draws, how surely, and what a
// fitting changed. Writes a table or JSON to standard output and, if asked, a page and load profiles to
// files; a file appears whole or not at all.
#pragma once

namespace CLI {
class App;
}

namespace ampmarshal::daemon {

/// Adds the subcommand. Its callback throws CLI::RuntimeError with the exit code if it fails.
void add_trials_command(CLI::App& app);

}  // namespace ampmarshal::daemon
