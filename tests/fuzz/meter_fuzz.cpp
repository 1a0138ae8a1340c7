// Any bytes as a meter's payload. Whatever comes, what is handed on is a plausible number; and both ways of
// reading agree, the quick one and the parser.
#include <cstdlib>
#include <string>

#include "adapters/meters.h"

using namespace ampmarshal;
using namespace std::chrono_literals;

namespace {

adapters::Meters wired() {
    const auto at = [](const char* pointer) { return adapters::NumberAt{"m", pointer}; };
    return adapters::Meters({{.id = "json",
                              .leg = rules::Leg::l1,
                              .current = at("/current"),
                              .power = {},
                              .voltage = at("/voltage"),
                              .frequency = at("/frequency"),
                              .peak = at("/a/0"),
                              .period = 100ms,
                              .stale_after = 1s,
                              .nominal_v = 120,
                              .largest_plausible_a = 400},
                             {.id = "plain",
                              .leg = rules::Leg::l2,
                              .current = {},
                              .power = at(""),
                              .voltage = {},
                              .frequency = {},
                              .peak = {},
                              .period = 100ms,
                              .stale_after = 1s,
                              .nominal_v = 120,
                              .largest_plausible_a = 400}});
}

void must(bool holds) {
    if (!holds) std::abort();
}

/// At first, when the same comes again, and when only digits have changed.
void both_ways_agree(std::string_view bytes) {
    const std::vector<std::string> pointers{"/current", "/voltage", "/frequency", "/peak", "/a", "/", ""};
    adapters::NumbersAt quick(pointers);
    std::string other(bytes);
    for (char& c : other)
        if (c >= '0' && c <= '9') c = c == '9' ? '0' : static_cast<char>(c + 1);
    for (const std::string_view text : {bytes, bytes, std::string_view(other), bytes}) {
        quick.read(text);
        adapters::Payload parsed(text);
        for (std::size_t i = 0; i < pointers.size(); ++i)
            must(quick[i] == parsed.number(pointers[i]));
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view bytes(reinterpret_cast<const char*>(data), size);
    adapters::Meters meters = wired();
    std::vector<rules::MeterSample> samples;
    meters.received(rules::Instant{1s}, {"m", bytes, false}, samples);
    for (const auto& sample : samples) {
        must(sample.current_a >= 0 && sample.current_a <= 800);
        must(!sample.peak_a || (*sample.peak_a >= sample.current_a && *sample.peak_a <= 800));
        must(!sample.voltage_v || (*sample.voltage_v >= 0 && *sample.voltage_v <= 240));
        must(!sample.frequency_hz || (*sample.frequency_hz >= 0 && *sample.frequency_hz <= 100));
    }
    meters.take_notices();
    both_ways_agree(bytes);
    return 0;
}
