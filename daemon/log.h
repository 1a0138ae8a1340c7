// The log of the programs: spdlog on stderr, one line per decision. Under systemd the journal keeps the time
// and the severity travels in the journal's own prefix; elsewhere the line carries both.
#pragma once

#include "daemon/steward.h"

namespace ampmarshal::daemon {

/// Sets up the log once for the process and returns what writes to it.
Log open_log();

}  // namespace ampmarshal::daemon
