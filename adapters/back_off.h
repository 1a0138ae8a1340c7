// How long to wait before the next attempt at something that keeps failing: 0.25 s, doubling up to 30 s. Each
// wait is shortened by a random part of up to a half, so that programs that lost the same broker do not all
// come back in the same instant. The random part follows from the seed alone: the same seed waits the same
// times.
#pragma once

#include <algorithm>
#include <chrono>
#include <cstdint>
#include <random>

#include "rules/time.h"

namespace ampmarshal::adapters {

class BackOff {
  public:
    static constexpr rules::Duration shortest = std::chrono::milliseconds(250);
    static constexpr rules::Duration longest = std::chrono::seconds(30);

    explicit BackOff(std::uint32_t seed) : random_(seed) {}

    /// The wait before the next attempt; each call counts as one more failure.
    rules::Duration next() {
        const rules::Duration full = step_;
        step_ = std::min(step_ * 2, longest);
        const auto half = static_cast<std::uint64_t>(full.count() / 2);
        return full - rules::Duration(random_() % (half + 1));
    }

    void reset() { step_ = shortest; }

  private:
    rules::Duration step_ = shortest;
    std::mt19937 random_;
};

}  // namespace ampmarshal::adapters
