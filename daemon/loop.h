// The one place that reads a clock and waits. A Loop polls a link's socket and the process's signals with
// epoll, and calls back: on signals, and at a steady beat. It knows nothing of rigs; ampmarshald and
// `ampmarshal rig` both run on it. One thread.
#pragma once

#include <csignal>
#include <functional>
#include <initializer_list>
#include <optional>

#include "adapters/mosquitto_link.h"
#include "rules/time.h"

namespace ampmarshal::daemon {

/// CLOCK_BOOTTIME: it goes on while the board sleeps, and no one sets it.
rules::Instant boot_time();

class Loop {
  public:
    /// Takes over these signals for the whole process; they then only arrive here.
    explicit Loop(std::initializer_list<int> signals);
    ~Loop();
    Loop(const Loop&) = delete;
    Loop& operator=(const Loop&) = delete;

    struct Callbacks {
        std::function<void(rules::Instant now)> beat;
        /// True: the next beat comes in a millisecond or two instead of in its turn. May be left out.
        std::function<bool()> beat_soon;
        std::function<void(rules::Instant now, int signal)> on_signal;
    };

    /// Services the link until quit(). The link is asked for anew on every turn, so that it may be replaced.
    void run(const std::function<adapters::MosquittoLink&()>& link, rules::Duration beat,
             const Callbacks& callbacks);
    void quit() { running_ = false; }

  private:
    void watch(std::optional<int> fd, bool for_writing);
    std::optional<int> next_signal() const;

    int epoll_;
    int signals_;
    std::optional<int> watched_;
    bool running_ = false;
};

}  // namespace ampmarshal::daemon
