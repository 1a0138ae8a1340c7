#include "adapters/virtual_rig/relay.h"

#include <algorithm>
#include <utility>

namespace ampmarshal::virtual_rig {

namespace {
constexpr Duration slow_by = 2s;
constexpr Duration flaps_every = 700ms;
}  // namespace

void Relay::command(Instant now, bool close) {
    if (coming_count_ == most_on_their_way) --coming_count_;
    const Duration late = fault_ == RelayFault::slow ? slow_by : Duration::zero();
    coming_[coming_count_++] = {now + plan_.latency + late, close};
}

Relay::Outcome Relay::move(Instant now) {
    const bool obeyed = coming_count_ > 0 && coming_[0].due <= now;
    while (coming_count_ > 0 && coming_[0].due <= now) {
        asked_closed_ = coming_[0].close;
        refreshed_ = coming_[0].due;
        std::copy(coming_.begin() + 1, coming_.begin() + static_cast<std::ptrdiff_t>(coming_count_),
                  coming_.begin());
        --coming_count_;
    }
    if (asked_closed_ && plan_.drops_out_after && now - refreshed_ >= *plan_.drops_out_after)
        asked_closed_ = false;

    const bool before = closed_;
    switch (fault_) {
        case RelayFault::none:
        case RelayFault::slow:
        case RelayFault::feedback_flaps: closed_ = asked_closed_; break;
        case RelayFault::stuck_open: closed_ = false; break;
        case RelayFault::stuck_closed: closed_ = true; break;
    }
    return {closed_ != before, flap(now) || obeyed};
}

/// True when what the feedback says has just changed by itself.
bool Relay::flap(Instant now) {
    if (fault_ != RelayFault::feedback_flaps) return std::exchange(feedback_wrong_, false);
    if (now < flaps_at_) return false;
    feedback_wrong_ = !feedback_wrong_;
    flaps_at_ = now + flaps_every;
    return true;
}

std::optional<Instant> Relay::next_move() const {
    std::optional<Instant> next;
    if (coming_count_ > 0) next = coming_[0].due;
    if (fault_ == RelayFault::feedback_flaps) next = next ? std::min(*next, flaps_at_) : flaps_at_;
    if (asked_closed_ && plan_.drops_out_after) {
        const Instant drops = refreshed_ + *plan_.drops_out_after;
        next = next ? std::min(*next, drops) : drops;
    }
    return next;
}

}  // namespace ampmarshal::virtual_rig
