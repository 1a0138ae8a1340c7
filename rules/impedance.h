// The impedance of what feeds a leg (the transformer, the pedestal's wiring, a long thin cord), learned from
// the steps that loads make: a step of current moves the voltage the other way. One estimate for each leg of
// the present source; begin anew when the source changes.
//
// It is a least-squares fit of delta_v = -z delta_i through the origin in which every new step makes the
// older ones count a little less (recursive least squares with one unknown and a forgetting factor). What it
// learns is the effect on the magnitude of the voltage at the power factor of the steps it has seen.
#pragma once

#include <optional>

namespace ampmarshal::rules {

class SourceImpedance {
  public:
    /// How much a step still counts after the next one: about fifty are remembered.
    static constexpr double forgetting = 0.98;

    /// A step of the leg's current and of its voltage, both measured just before and just after. What is too
    /// small to tell from noise, or cannot be, is passed over.
    void add(double delta_i_a, double delta_v);

    /// Nothing until a few steps agree well enough.
    std::optional<double> ohm() const;
    /// The standard error of `ohm`: about 95 % of the time the impedance is within two of it.
    std::optional<double> standard_error_ohm() const;
    /// The voltage to expect when `added_a` (>= 0) comes on top of what flows while `present_v` is read;
    /// taken at two standard errors, so that what is not known well is expected to be worse.
    std::optional<double> predicted_v(double present_v, double added_a) const;

  private:
    struct Fit {
        double ohm;
        double error_ohm;
    };
    std::optional<Fit> fit() const;

    double count_ = 0;  ///< of steps, the older ones discounted, as in the sums
    double sum_ii_ = 0;
    double sum_iv_ = 0;
    double sum_vv_ = 0;
};

}  // namespace ampmarshal::rules
