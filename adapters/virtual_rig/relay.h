// A relay as it comes off the shelf: late, forgetful if so built, and sometimes broken. Owned by the rig;
// driven by commands that the rig received.
#pragma once

#include <array>
#include <cstddef>
#include <optional>

#include "adapters/virtual_rig/plan.h"

namespace ampmarshal::virtual_rig {

class Relay {
  public:
    explicit Relay(const RelayPlan& plan) : plan_(plan), fault_(plan.fault) {}

    /// Takes effect after the relay's latency.
    void command(Instant now, bool close);
    struct Outcome {
        bool moved;
        bool speaks;  ///< a command came into effect, whether or not it moved the contact, or the feedback
                      ///< flaps
    };
    /// What is due by `now` happens.
    Outcome settle(Instant now) { return idle() ? Outcome{false, false} : move(now); }
    void set_fault(RelayFault fault) { fault_ = fault; }

    bool closed() const { return closed_; }
    /// What its feedback contact says.
    bool reports_closed() const { return closed_ != feedback_wrong_; }
    bool feedback() const { return plan_.feedback; }
    std::optional<Instant> due() const { return idle() ? std::nullopt : next_move(); }

  private:
    struct Command {
        Instant due;
        bool close;
    };
    /// Nothing is on its way, and nothing happens by itself.
    bool idle() const {
        return coming_count_ == 0 && fault_ == RelayFault::none && !feedback_wrong_ &&
               closed_ == asked_closed_ && !plan_.drops_out_after;
    }
    Outcome move(Instant now);
    std::optional<Instant> next_move() const;
    bool flap(Instant now);

    // More commands than this on their way within one latency is a flood; the newest then replaces the last.
    static constexpr std::size_t most_on_their_way = 8;

    RelayPlan plan_;
    RelayFault fault_;
    std::array<Command, most_on_their_way> coming_{};
    std::size_t coming_count_ = 0;
    bool asked_closed_ = false;
    Instant refreshed_{};
    bool closed_ = false;
    bool feedback_wrong_ = false;
    Instant flaps_at_{};
};

}  // namespace ampmarshal::virtual_rig
