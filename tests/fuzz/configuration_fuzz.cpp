// Any bytes as a configuration: it is read or every mistake in it is told, and what was read makes a Marshal
// that takes a reading.
#include <cstdlib>
#include <string_view>

#include "daemon/configuration.h"

using namespace ampmarshal;
using namespace std::chrono_literals;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view bytes(reinterpret_cast<const char*>(data), size);
    const auto result = daemon::read_configuration(bytes);
    if (const auto* mistakes = std::get_if<daemon::Mistakes>(&result)) {
        if (mistakes->empty()) std::abort();
        for (const auto& mistake : *mistakes)
            if (sentence(mistake).empty()) std::abort();
        return 0;
    }
    const auto& configuration = std::get<daemon::Configuration>(result);
    rules::Marshal marshal(configuration.rig, configuration.present_source, rules::Instant{});
    marshal.on(rules::LinkChanged{rules::Instant{}, true});
    for (int i = 1; i < 4; ++i)
        marshal.on(rules::MeterSample{rules::Instant{i * 1s}, configuration.meters.front().leg, 10.0 * i});
    return 0;
}
