// A TCP server on a loopback port that says what the test tells it to, for what a real broker cannot be made
// to do. It has no thread: every call takes whatever has come in meanwhile, without waiting.
#pragma once

#include <string>
#include <string_view>

namespace ampmarshal::tests {

class ScriptedServer {
  public:
    ScriptedServer();
    ~ScriptedServer();
    ScriptedServer(const ScriptedServer&) = delete;
    ScriptedServer& operator=(const ScriptedServer&) = delete;

    int port() const { return port_; }
    /// True once a new client has connected; it takes the place of the one before.
    bool accept();
    /// Everything the present client has sent so far.
    const std::string& heard();
    void say(std::string_view bytes);
    void hang_up();

  private:
    int listener_;
    int port_;
    int client_ = -1;
    std::string heard_;
};

}  // namespace ampmarshal::tests
