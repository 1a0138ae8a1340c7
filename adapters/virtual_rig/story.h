// What happens inside the virtual rig, told as it happens: for the demo's plain lines, and for counting the
// truth.
#pragma once

#include <string_view>

#include "rules/time.h"

namespace ampmarshal::virtual_rig {

enum class Happening {
    contact_closed,
    contact_opened,
    load_on,  ///< begins to draw; current_a as it will run
    load_off,
    start_began,  ///< a motor; current_a is its peak
    start_ended,  ///< settled; current_a is its running current
    stalled,      ///< the rotor does not turn; current_a is what it draws
    overload_opened,
    short_cycled,  ///< a compressor restarted before its pressure had equalised
    overlapped,    ///< motors starting at once draw more than the limit `part` must bear at once
    tripped,       ///< breaker open or generator stalled; current_a at that moment
    supply_lost,
    supply_back,
    source_changed,
    set,  ///< a charger; current_a is what it may draw
};

struct StoryEvent {
    rules::Instant at;
    Happening what;
    std::string_view subject;  ///< a load's or a source's name
    std::string_view part;     ///< "fan", "compressor", the limit that tripped, or empty
    double current_a;
};

class Narrator {
  public:
    virtual ~Narrator() = default;
    virtual void tell(const StoryEvent& event) = 0;
};

}  // namespace ampmarshal::virtual_rig
