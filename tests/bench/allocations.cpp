#include "tests/bench/allocations.h"

#include <cstdlib>
#include <new>

namespace {
std::uint64_t count = 0;  // one thread allocates
}

namespace ampmarshal::bench {
std::uint64_t allocations() {
    return count;
}
}  // namespace ampmarshal::bench

// The library's other forms of new and delete, but those for over-aligned types, end up in these.
void* operator new(std::size_t size) {
    ++count;
    if (void* block = std::malloc(size == 0 ? 1 : size)) return block;
    throw std::bad_alloc();
}

void operator delete(void* block) noexcept {
    std::free(block);
}

void operator delete(void* block, std::size_t) noexcept {
    std::free(block);
}
