#include "daemon/loop.h"

#include <sys/epoll.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <ctime>
#include <system_error>

namespace ampmarshal::daemon {

using rules::Duration;
using rules::Instant;

namespace {
constexpr Duration soon = std::chrono::milliseconds(1);
}

rules::Instant boot_time() {
    timespec t{};
    clock_gettime(CLOCK_BOOTTIME, &t);
    return Instant(Duration(static_cast<Duration::rep>(t.tv_sec) * 1'000'000 + t.tv_nsec / 1'000));
}

Loop::Loop(std::initializer_list<int> signals) : epoll_(epoll_create1(EPOLL_CLOEXEC)) {
    sigset_t set;
    sigemptyset(&set);
    for (int s : signals)
        sigaddset(&set, s);
    sigprocmask(SIG_BLOCK, &set, nullptr);
    signals_ = signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
    epoll_event event{};
    event.events = EPOLLIN;
    event.data.fd = signals_;
    if (epoll_ < 0 || signals_ < 0 || epoll_ctl(epoll_, EPOLL_CTL_ADD, signals_, &event) != 0)
        throw std::system_error(errno, std::generic_category(), "cannot set up the event loop");
}

Loop::~Loop() {
    close(signals_);
    close(epoll_);
}

/// The link's socket changes with each connection, and a number may come back for another socket, which epoll
/// then does not know: so it is added whenever it cannot be modified.
void Loop::watch(std::optional<int> fd, bool for_writing) {
    if (watched_ && watched_ != fd) epoll_ctl(epoll_, EPOLL_CTL_DEL, *watched_, nullptr);
    watched_ = fd;
    if (!fd) return;
    epoll_event event{};
    event.events = for_writing ? (EPOLLIN | EPOLLOUT) : EPOLLIN;
    event.data.fd = *fd;
    if (epoll_ctl(epoll_, EPOLL_CTL_MOD, *fd, &event) != 0 &&
        epoll_ctl(epoll_, EPOLL_CTL_ADD, *fd, &event) != 0)
        throw std::system_error(errno, std::generic_category(), "cannot watch the socket to the broker");
}

std::optional<int> Loop::next_signal() const {
    signalfd_siginfo info{};
    if (read(signals_, &info, sizeof info) != static_cast<ssize_t>(sizeof info)) return std::nullopt;
    return static_cast<int>(info.ssi_signo);
}

void Loop::run(const std::function<adapters::MosquittoLink&()>& link, Duration beat,
               const Callbacks& callbacks) {
    running_ = true;
    Instant next_beat = boot_time();
    while (running_) {
        const Instant before = boot_time();
        if (callbacks.beat_soon && callbacks.beat_soon()) next_beat = std::min(next_beat, before + soon);
        watch(link().fd(), link().wants_write());
        const Instant wake = std::min(next_beat, link().next_wake().value_or(next_beat));
        const auto wait_ms =
            std::chrono::ceil<std::chrono::milliseconds>(std::max(wake - before, Duration::zero()));
        std::array<epoll_event, 4> events{};
        const int ready = epoll_wait(epoll_, events.data(), static_cast<int>(events.size()),
                                     static_cast<int>(wait_ms.count()));

        const Instant now = boot_time();
        bool readable = false;
        bool writable = false;
        bool signalled = false;
        for (int e = 0; e < ready; ++e) {
            const epoll_event& event = events[static_cast<std::size_t>(e)];
            if (event.data.fd == signals_) {
                signalled = true;
                continue;
            }
            readable |= (event.events & (EPOLLIN | EPOLLERR | EPOLLHUP)) != 0;
            writable |= (event.events & EPOLLOUT) != 0;
        }
        link().service(now, readable, writable);
        // After the link, since a callback may replace it: what epoll told was about the one before.
        for (auto signal = signalled ? next_signal() : std::nullopt; signal; signal = next_signal())
            callbacks.on_signal(now, *signal);
        if (now >= next_beat) {
            callbacks.beat(now);
            // A beat that was missed is not made up for.
            next_beat += beat;
            if (next_beat <= now) next_beat = now + beat;
        }
    }
}

}  // namespace ampmarshal::daemon
