// What the cord between the pedestal and the rig does to the voltage, told as a person reads it off the cord:
// "12AWG,100ft".
#pragma once

#include <optional>
#include <string_view>

namespace ampmarshal::daemon::plan {

/// Resistance there and back of a copper cord at 75 °C; nothing if it is not understood, or there is no such
/// cord. A length in feet or metres: "12AWG,100ft", "10AWG,15m".
std::optional<double> cord_loop_ohm(std::string_view cord);

}  // namespace ampmarshal::daemon::plan
