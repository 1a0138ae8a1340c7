// One of our programs as a child process, so that a test can treat it as a shell or systemd would: start it,
// read what it prints, send it signals, kill it, and hear what it tells the service manager. Nothing here
// waits: a test asks again and again until a condition holds. A child dies with the test program.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace ampmarshal::tests {

class ChildProgram {
  public:
    /// `words` are the program's path and its arguments; `environment` is added to ours.
    explicit ChildProgram(const std::vector<std::string>& words,
                          const std::map<std::string, std::string>& environment = {});
    ~ChildProgram();
    ChildProgram(const ChildProgram&) = delete;
    ChildProgram& operator=(const ChildProgram&) = delete;

    /// Everything it has printed so far, standard output and standard error as they came.
    const std::string& printed();
    void signal(int number) const;
    pid_t pid() const { return pid_; }
    /// Its exit code once it has ended; 128 and the signal's number if a signal ended it, as a shell tells
    /// it.
    std::optional<int> ended();

  private:
    pid_t pid_;
    int output_;
    std::string printed_;
    std::optional<int> code_;
};

/// Stands in for systemd's end of sd_notify(3): the socket named in NOTIFY_SOCKET.
class NotifySocket {
  public:
    explicit NotifySocket(const std::filesystem::path& path);
    ~NotifySocket();
    NotifySocket(const NotifySocket&) = delete;
    NotifySocket& operator=(const NotifySocket&) = delete;

    const std::string& path() const { return path_; }
    /// How often the state, such as "READY=1", has been told so far.
    std::size_t told(const std::string& state);

  private:
    std::string path_;
    int socket_;
    std::map<std::string, std::size_t> told_;
};

}  // namespace ampmarshal::tests
