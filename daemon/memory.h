// What of a rig survives a restart, as plain values between the Marshal that lives and the next one: a Memory
// of what people have asked for and of what must not run before a person has looked, and Lessons, which is
// what the starts of the loads have taught. Nothing that was measured of the moment, and not the source
// either: the rig may have been moved.
#pragma once

#include <optional>
#include <string>
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

/// By LoadIndex and stage. Nothing was learned of a stage of which no start is remembered.
using Lessons = std::vector<std::vector<rules::StageProfile::Memory>>;

/// Of a rig of which nothing is known but its configuration.
Memory blank_memory(const rules::Rig& rig);
Lessons blank_lessons(const rules::Rig& rig);

Memory memory_of(const rules::Marshal& marshal);
Lessons lessons_of(const rules::Marshal& marshal);

/// What brings a new Marshal of this rig to where the memory is.
std::vector<rules::Event> recall(const Memory& memory, const rules::Rig& rig, rules::Instant now);

/// Gives them to a new Marshal of this rig. What cannot be true is not taken; a line for the log says so.
std::vector<std::string> recall(const Lessons& lessons, rules::Marshal& marshal);

}  // namespace ampmarshal::daemon
