// The rules of the Homie convention, version 5, as far as a device like ours can break them, written from the
// convention and not from adapters/homie. A test gives it what a broker retains and gets back every fault.
// Source: Homie convention v5 (homieiot, CC BY 4.0): "Topic IDs", "Payload", "Device attributes",
// "Description", "Properties".
#pragma once

#include <map>
#include <string>
#include <vector>

namespace ampmarshal::tests::homie_convention {

using Faults = std::vector<std::string>;

Faults description_faults(const std::string& text);

/// What a controller finds wrong on a broker that retains these topics below `base` ("homie/5/some-id").
Faults device_faults(const std::map<std::string, std::string>& retained, const std::string& base);

}  // namespace ampmarshal::tests::homie_convention
