// A plan as one self-contained page: for each source the matrix of what may start on top of what, the starts
// in their order as bars, and where each start lies in the source's time-current picture.
#pragma once

#include <string>

#include "daemon/plan/plan_report.h"

namespace ampmarshal::daemon::plan {

std::string page(const Plans& plans);

}  // namespace ampmarshal::daemon::plan
