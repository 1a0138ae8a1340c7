// Random numbers of the virtual rig. The standard library's distributions differ between implementations;
// these give the same rig for the same seed everywhere. Each concern draws from a stream of its own, so that
// one more meter sample never moves a breaker's trip point.
#pragma once

#include <cmath>
#include <cstdint>

namespace ampmarshal::virtual_rig {

class Random {
  public:
    Random(std::uint64_t seed, std::uint64_t stream) : state_(mix(seed) ^ mix(~stream)) {}

    /// In [0, 1).
    double uniform() { return static_cast<double>(next() >> 11U) * 0x1p-53; }
    double uniform(double low, double high) { return low + (high - low) * uniform(); }
    /// Every factor between the two equally likely; both above zero.
    double log_uniform(double low, double high) { return low * std::pow(high / low, uniform()); }
    /// Mean 0, standard deviation 1 (Marsaglia's polar method).
    double gaussian() {
        double x = 0;
        double square = 0;
        do {
            x = uniform(-1, 1);
            const double y = uniform(-1, 1);
            square = x * x + y * y;
        } while (square >= 1 || square == 0);
        return x * std::sqrt(-2 * std::log(square) / square);
    }

  private:
    // SplitMix64: a Weyl sequence through a bijective mixer.
    static std::uint64_t mix(std::uint64_t z) {
        z = (z ^ (z >> 30U)) * 0xbf58476d1ce4e5b9U;
        z = (z ^ (z >> 27U)) * 0x94d049bb133111ebU;
        return z ^ (z >> 31U);
    }
    std::uint64_t next() { return mix(state_ += 0x9e3779b97f4a7c15U); }

    std::uint64_t state_;
};

}  // namespace ampmarshal::virtual_rig
