// The meters of a rig: turns what they publish into samples the rules can trust. A meter watches one leg, or
// one load alone; its values may come together in one message or on a topic each. A sample is made whenever
// the current (or, for a meter that only tells watts, the power) arrives, with the latest of the other values
// that is not stale.
//
// Refused and counted, never passed on: what is no number, what no wire in a rig could carry, and retained
// messages, whose age nobody knows. A current below zero is refused, too, apart from the noise of an idle
// meter: it means that the clamp sits the wrong way round, which "scale": -1 puts right. One refused voltage,
// frequency or peak does not cost the sample its current.
//
// Watts divided by volts is the current at unity power factor: a motor draws more than that, so a meter that
// tells amperes is the better one.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "adapters/link.h"
#include "adapters/number_at.h"
#include "rules/event.h"

namespace ampmarshal::adapters {

struct MeterWiring {
    std::string id;
    rules::Leg leg;
    std::optional<rules::LoadIndex> load{};  ///< it watches this load alone; nothing: all of the leg
    std::optional<NumberAt> current;         ///< exactly one of current and power is there
    std::optional<NumberAt> power;
    std::optional<NumberAt> voltage;
    std::optional<NumberAt> frequency;
    std::optional<NumberAt> peak;  ///< highest current since the reading before
    rules::Duration period;
    rules::Duration stale_after;
    double nominal_v;  ///< stands in for a voltage that is not known
    double largest_plausible_a;
};

enum class Rejection : std::uint8_t { retained, too_large, missing, not_a_number, out_of_range };
inline constexpr std::size_t rejection_kinds = 5;

struct MeterCounts {
    std::uint64_t accepted = 0;
    std::array<std::uint64_t, rejection_kinds> rejected{};

    std::uint64_t operator[](Rejection why) const { return rejected[static_cast<std::size_t>(why)]; }
};

class Meters {
  public:
    explicit Meters(std::vector<MeterWiring> wiring);

    /// Each topic once.
    const std::vector<std::string>& topics() const { return topics_; }

    /// Appends the samples that the message completes to `out`; messages of other topics are ignored.
    void received(rules::Instant now, const Message& message, std::vector<rules::MeterSample>& out);

    const MeterCounts& counts(std::size_t meter) const { return meters_[meter].counts; }

    /// One sentence for the first rejection of each kind at each meter, each handed out once.
    std::vector<std::string> take_notices();

  private:
    enum Quantity : std::uint8_t { current, power, voltage, frequency, peak };
    static constexpr std::size_t quantities = 5;
    static constexpr Quantity all_quantities[] = {current, power, voltage, frequency, peak};

    struct Known {
        double value;
        rules::Instant at;
    };
    struct Meter {
        MeterWiring wiring;
        std::array<std::optional<Known>, quantities> latest{};
        MeterCounts counts{};
    };

    struct Range {
        double least;
        double most;
    };

    /// Something that a topic tells of a meter.
    struct Value {
        Quantity quantity;
        std::size_t number;  ///< of those in the message
        double scale;
        Range plausible;
    };
    /// A meter, and what of it a topic tells.
    struct Told {
        std::size_t meter;
        std::vector<Value> what;
    };
    struct Topic {
        NumbersAt numbers;
        std::vector<Told> told;
    };

    static const std::optional<NumberAt>& where(const MeterWiring& wiring, Quantity quantity);
    static Range plausible(const MeterWiring& wiring, Quantity quantity);
    Topic told_on(std::string_view topic) const;
    void take(Meter& meter, const Value& what, rules::Instant now,
              const std::variant<double, NumberFault>& read);
    void reject(Meter& meter, Rejection why, const NumberAt& where);
    static std::optional<rules::MeterSample> sample(Meter& meter, rules::Instant now);

    std::vector<std::string> topics_;  ///< sorted
    std::vector<Topic> told_;          ///< on each of them
    std::vector<Meter> meters_;
    std::vector<std::string> notices_;
};

}  // namespace ampmarshal::adapters
