// Counts what this program takes from the heap. Linking allocations.cpp replaces operator new for the whole
// program, so it belongs to the bench alone.
#pragma once

#include <cstdint>

namespace ampmarshal::bench {

/// Calls of operator new so far.
std::uint64_t allocations();

}  // namespace ampmarshal::bench
