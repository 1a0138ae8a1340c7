#include "tests/broker/child_program.h"

#include <fcntl.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <csignal>
#include <cstdlib>
#include <sstream>
#include <stdexcept>

namespace ampmarshal::tests {

namespace {

[[noreturn]] void become(const std::vector<std::string>& words, int output) {
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    dup2(output, STDOUT_FILENO);
    dup2(output, STDERR_FILENO);
    std::vector<char*> arguments;
    arguments.reserve(words.size() + 1);
    for (const std::string& word : words)
        arguments.push_back(const_cast<char*>(word.c_str()));
    arguments.push_back(nullptr);
    execv(arguments[0], arguments.data());
    _exit(127);
}

}  // namespace

ChildProgram::ChildProgram(const std::vector<std::string>& words,
                           const std::map<std::string, std::string>& environment) {
    std::array<int, 2> ends{};
    if (pipe2(ends.data(), O_CLOEXEC) != 0) throw std::runtime_error("no pipe for " + words[0]);
    pid_ = fork();
    if (pid_ == 0) {
        for (const auto& [name, value] : environment)
            setenv(name.c_str(), value.c_str(), 1);
        become(words, ends[1]);
    }
    close(ends[1]);
    output_ = ends[0];
    fcntl(output_, F_SETFL, O_NONBLOCK);
    if (pid_ < 0) throw std::runtime_error("cannot fork for " + words[0]);
}

ChildProgram::~ChildProgram() {
    if (!ended()) {
        signal(SIGKILL);
        waitpid(pid_, nullptr, 0);
    }
    close(output_);
}

const std::string& ChildProgram::printed() {
    std::array<char, 4096> buffer{};
    for (ssize_t size = 0; (size = read(output_, buffer.data(), buffer.size())) > 0;)
        printed_.append(buffer.data(), static_cast<std::size_t>(size));
    return printed_;
}

void ChildProgram::signal(int number) const {
    if (!code_) kill(pid_, number);
}

std::optional<int> ChildProgram::ended() {
    printed();  // a full pipe would keep it from ending
    int status = 0;
    if (!code_ && waitpid(pid_, &status, WNOHANG) == pid_)
        code_ = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    return code_;
}

NotifySocket::NotifySocket(const std::filesystem::path& path)
    : path_(path.string()), socket_(socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0)) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    if (path_.size() >= sizeof address.sun_path) throw std::runtime_error("too long for a socket: " + path_);
    std::copy(path_.begin(), path_.end(), address.sun_path);
    unlink(path_.c_str());
    if (bind(socket_, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0)
        throw std::runtime_error("cannot listen on " + path_);
}

NotifySocket::~NotifySocket() {
    close(socket_);
    unlink(path_.c_str());
}

std::size_t NotifySocket::told(const std::string& state) {
    std::array<char, 1024> buffer{};
    for (ssize_t size = 0; (size = recv(socket_, buffer.data(), buffer.size(), 0)) > 0;) {
        std::istringstream message(std::string(buffer.data(), static_cast<std::size_t>(size)));
        for (std::string line; std::getline(message, line);)
            ++told_[line];
    }
    return told_[state];
}

}  // namespace ampmarshal::tests
