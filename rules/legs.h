// The hot conductors of a rig. A 120 V rig has one leg (L1); a 120/240 V rig has two (L1, L2). A 240 V load
// sits on both, and its current counts on each. Currents are always amperes in the named leg's conductor.
#pragma once

#include <cstddef>
#include <cstdint>

namespace ampmarshal::rules {

enum class Leg : std::uint8_t { l1, l2 };
inline constexpr Leg all_legs[] = {Leg::l1, Leg::l2};
inline constexpr const char* name(Leg leg) {
    return leg == Leg::l1 ? "L1" : "L2";
}

constexpr Leg other_than(Leg leg) {
    return leg == Leg::l1 ? Leg::l2 : Leg::l1;
}

/// Which legs something touches: a small bit set, never empty in a valid load or limit.
class LegSet {
  public:
    constexpr LegSet() = default;
    constexpr explicit LegSet(Leg leg) : bits_(bit(leg)) {}
    static constexpr LegSet both() { return LegSet(Leg::l1) | LegSet(Leg::l2); }

    constexpr bool contains(Leg leg) const { return (bits_ & bit(leg)) != 0; }
    constexpr bool contains(LegSet other) const { return (bits_ & other.bits_) == other.bits_; }
    constexpr bool touches(LegSet other) const { return (bits_ & other.bits_) != 0; }
    constexpr bool empty() const { return bits_ == 0; }
    constexpr int count() const { return (bits_ & 1) + (bits_ >> 1); }
    /// The first leg of the set; the set must not be empty.
    constexpr Leg first() const { return contains(Leg::l1) ? Leg::l1 : Leg::l2; }

    friend constexpr LegSet operator|(LegSet a, LegSet b) {
        LegSet r;
        r.bits_ = static_cast<std::uint8_t>(a.bits_ | b.bits_);
        return r;
    }
    friend constexpr bool operator==(LegSet, LegSet) = default;

  private:
    static constexpr std::uint8_t bit(Leg leg) {
        return static_cast<std::uint8_t>(1U << static_cast<unsigned>(leg));
    }
    std::uint8_t bits_ = 0;
};

/// One value for each leg.
template <class T>
struct PerLeg {
    T values[2]{};
    constexpr T& operator[](Leg leg) { return values[static_cast<std::size_t>(leg)]; }
    constexpr const T& operator[](Leg leg) const { return values[static_cast<std::size_t>(leg)]; }
};

/// What a load draws counts on each of its legs.
constexpr void add(PerLeg<double>& sums, LegSet legs, double amount) {
    for (const Leg leg : all_legs)
        if (legs.contains(leg)) sums[leg] += amount;
}

}  // namespace ampmarshal::rules
