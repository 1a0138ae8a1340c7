// Any topic below the device and any payload on it: it is a valid command or refused in one short line, and
// whatever was asked for names a load and a source that the rig has. The first line is the topic, the rest
// the payload.
#include <cstdlib>
#include <string>

#include "adapters/rig_device.h"

using namespace ampmarshal;
using namespace std::chrono_literals;

namespace {

rules::Rig rig() {
    rules::Rig rig;
    rig.name = "Rig";
    rig.legs = rules::LegSet(rules::Leg::l1);
    rig.sources = {
        rules::compile("pedestal", "Pedestal", 120, rules::Feed::one_leg, rules::BreakerPlate{30})};
    rules::Load load;
    load.id = "heater";
    load.name = "Heater";
    load.legs = rig.legs;
    load.rank = 1;
    load.control = rules::Control::permitted;
    load.stages = {{"on", 10, 200ms, 10, 2s}};
    rig.loads = {load, load};
    rig.loads[1].id = "kettle";
    rig.loads[1].control = rules::Control::observed;
    return rig;
}

void must(bool holds) {
    if (!holds) std::abort();
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    static const rules::Rig the_rig = rig();
    adapters::RigDevice device({"homie", "rig", "Rig", 1}, the_rig);
    const std::string_view bytes(reinterpret_cast<const char*>(data), size);
    const auto line = std::min(bytes.find('\n'), bytes.size());
    const std::string topic = "homie/5/rig/" + std::string(bytes.substr(0, line));
    const std::string_view payload = bytes.substr(std::min(line + 1, bytes.size()));
    std::vector<rules::Event> events;
    const std::string refusal = device.received(rules::Instant{1s}, {topic, payload, false}, events);
    must(refusal.size() < 1000);
    for (const char c : refusal)
        must(c >= ' ' && c <= '~');
    for (const rules::Event& event : events) {
        if (const auto* demand = std::get_if<rules::DemandChanged>(&event)) must(demand->load == 0);
        if (const auto* asked = std::get_if<rules::OperatorRequest>(&event))
            must(asked->load == 0 && asked->until <= rules::Instant{1s} + adapters::longest_preference);
        if (const auto* source = std::get_if<rules::SourceChanged>(&event))
            must(source->source.value_or(0) == 0);
    }
    return 0;
}
