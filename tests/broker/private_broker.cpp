#include "tests/broker/private_broker.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <sstream>
#include <stdexcept>
#include <thread>

namespace ampmarshal::tests {

namespace {

sockaddr_in loopback(int port) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(static_cast<std::uint16_t>(port));
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return address;
}

int new_socket() {
    const int made = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (made < 0) throw std::runtime_error("cannot make a socket");
    return made;
}

std::filesystem::path new_directory() {
    std::string name = (std::filesystem::temp_directory_path() / "ampmarshal-broker-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr) throw std::runtime_error("cannot make the directory " + name);
    return name;
}

[[noreturn]] void become_broker(const std::string& configuration, const std::string& log) {
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    const int output = open(log.c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (output < 0) _exit(127);
    dup2(output, STDOUT_FILENO);
    dup2(output, STDERR_FILENO);
    execl("/usr/sbin/mosquitto", "mosquitto", "-c", configuration.c_str(), nullptr);
    execlp("mosquitto", "mosquitto", "-c", configuration.c_str(), nullptr);
    _exit(127);
}

}  // namespace

int free_port() {
    const int listener = new_socket();
    sockaddr_in address = loopback(0);
    socklen_t size = sizeof address;
    const bool bound = bind(listener, reinterpret_cast<sockaddr*>(&address), size) == 0 &&
                       getsockname(listener, reinterpret_cast<sockaddr*>(&address), &size) == 0;
    close(listener);
    if (!bound) throw std::runtime_error("no free port on the loopback interface");
    return ntohs(address.sin_port);
}

PrivateBroker::PrivateBroker() : directory_(new_directory()), port_(free_port()) {}

PrivateBroker::~PrivateBroker() {
    kill();
    std::error_code ignored;
    std::filesystem::remove_all(directory_, ignored);
}

void PrivateBroker::start(std::string_view access) {
    const std::string configuration = (directory_ / "mosquitto.conf").string();
    std::ofstream file(configuration);
    file << "listener " << port_ << " 127.0.0.1\npersistence false\nset_tcp_nodelay true\n" << access;
    // Started by root it would become another user, who may not read the test's files.
    if (geteuid() == 0) file << "user root\n";
    file.close();

    const std::string log = (directory_ / "log").string();
    pid_ = fork();
    if (pid_ == 0) become_broker(configuration, log);
    if (pid_ < 0) throw std::runtime_error("cannot fork for mosquitto");
    for (int attempt = 0; attempt < 500; ++attempt) {
        if (answers()) return;
        if (waitpid(pid_, nullptr, WNOHANG) == pid_) {
            pid_ = 0;
            break;
        }
        std::this_thread::sleep_for(std::chrono::milliseconds(10));
    }
    std::stringstream said;
    said << std::ifstream(log).rdbuf();
    throw std::runtime_error("mosquitto did not start (package mosquitto installed?): " + said.str());
}

void PrivateBroker::kill() {
    if (pid_ <= 0) return;
    ::kill(pid_, SIGKILL);
    waitpid(pid_, nullptr, 0);
    pid_ = 0;
}

void PrivateBroker::freeze() {
    ::kill(pid_, SIGSTOP);
    waitpid(pid_, nullptr, WUNTRACED);
}

void PrivateBroker::thaw() {
    ::kill(pid_, SIGCONT);
}

bool PrivateBroker::answers() const {
    const int probe = new_socket();
    const sockaddr_in address = loopback(port_);
    const bool connected = connect(probe, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
    close(probe);
    return connected;
}

}  // namespace ampmarshal::tests
