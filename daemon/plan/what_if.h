// Other figures than those in the configuration, tried from the command line: "ac-front.start_a=16" (a soft
// starter), "generator.altitude_ft=7000", "pedestal.rating_a=20" (another plate). The figure is put into the
// file's text before it is read, so everything is checked as if a person had written it there.
#pragma once

#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "daemon/section.h"

namespace ampmarshal::daemon::plan {

/// The configuration with the figures in it, or what is wrong with them. A text that cannot be read is given
/// back as it is: who reads it next tells what is wrong with it.
std::variant<std::string, Mistakes> with_figures(std::string text, const std::vector<std::string>& what_if);

}  // namespace ampmarshal::daemon::plan
