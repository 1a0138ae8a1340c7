#include "tests/broker/scripted_server.h"

#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <stdexcept>

namespace ampmarshal::tests {

ScriptedServer::ScriptedServer() : listener_(socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0)) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t size = sizeof address;
    const bool listens = bind(listener_, reinterpret_cast<sockaddr*>(&address), size) == 0 &&
                         listen(listener_, 4) == 0 &&
                         getsockname(listener_, reinterpret_cast<sockaddr*>(&address), &size) == 0;
    if (!listens) throw std::runtime_error("no free port on the loopback interface");
    port_ = ntohs(address.sin_port);
}

ScriptedServer::~ScriptedServer() {
    hang_up();
    close(listener_);
}

bool ScriptedServer::accept() {
    const int client = accept4(listener_, nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC);
    if (client < 0) return false;
    hang_up();
    client_ = client;
    heard_.clear();
    return true;
}

const std::string& ScriptedServer::heard() {
    std::array<char, 4096> buffer{};
    for (ssize_t size = 0; (size = recv(client_, buffer.data(), buffer.size(), 0)) > 0;) {
        heard_.append(buffer.data(), static_cast<std::size_t>(size));
    }
    return heard_;
}

void ScriptedServer::say(std::string_view bytes) {
    if (send(client_, bytes.data(), bytes.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(bytes.size())) {
        throw std::runtime_error("the client does not take what the scripted server says");
    }
}

void ScriptedServer::hang_up() {
    if (client_ >= 0) close(client_);
    client_ = -1;
}

}  // namespace ampmarshal::tests
