// What of a rig survives a restart: what people have asked for, and what must not run before a person has
// looked. Nothing that was measured or learned of the moment, and not the source either: the rig may have
// been moved. A plain value between the Marshal that lives and the events that tell the next one.
#pragma once

#include <optional>
#include <vector>

#include "rules/marshal.h"

namespace ampmarshal::daemon {

struct LoadMemory {
    bool wanted;
    bool held = false;
    rules::Lockout lockout = rules::Lockout::none;
    std::optional<rules::Instant> preferred_until{};

    friend bool operator==(const LoadMemory&, const LoadMemory&) = default;
};

struct Memory {
    bool everything_stopped = false;
    std::vector<LoadMemory> loads;  ///< by LoadIndex

    friend bool operator==(const Memory&, const Memory&) = default;
};

/// Of a rig of which nothing is known but its configuration.
Memory blank_memory(const rules::Rig& rig);

Memory memory_of(const rules::Marshal& marshal);

/// What brings a new Marshal of this rig to where the memory is.
std::vector<rules::Event> recall(const Memory& memory, const rules::Rig& rig, rules::Instant now);

}  // namespace ampmarshal::daemon
