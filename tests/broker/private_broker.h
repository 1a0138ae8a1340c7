// A real mosquitto of the test's own, on a free loopback port, with its files in a directory of its own. The
// process and the directory are gone when this object is, and also when the test program dies. Failing to
// start is an exception, because a test can do nothing without it.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <string>
#include <string_view>

namespace ampmarshal::tests {

/// A loopback port that nobody listens on at this moment.
int free_port();

class PrivateBroker {
  public:
    /// Anonymous clients are welcome and nothing is kept on disk, unless `access` says otherwise. `access` is
    /// lines of mosquitto.conf; files it names can be written into directory() before start().
    PrivateBroker();
    ~PrivateBroker();
    PrivateBroker(const PrivateBroker&) = delete;
    PrivateBroker& operator=(const PrivateBroker&) = delete;

    void start(std::string_view access = "allow_anonymous true\n");
    /// Kills it outright, as a power cut would.
    void kill();
    /// Stops and continues the process: its sockets stay open while it does nothing.
    void freeze();
    void thaw();

    int port() const { return port_; }
    pid_t pid() const { return pid_; }
    const std::filesystem::path& directory() const { return directory_; }

  private:
    bool answers() const;

    std::filesystem::path directory_;
    int port_;
    pid_t pid_ = 0;
};

}  // namespace ampmarshal::tests
