// `ampmarshal rig`: runs the virtual rig in real time against a broker, so that ampmarshald can be tried
// without any hardware. Tells what happens in plain lines on standard output and can leave a summary.
#pragma once

namespace CLI {
class App;
}

namespace ampmarshal::daemon {

/// Adds the subcommand. Its callback runs the rig and throws CLI::RuntimeError with the exit code if it
/// fails.
void add_rig_command(CLI::App& app);

}  // namespace ampmarshal::daemon
