// The link over a real socket, on libmosquitto. It has no thread and no clock of its own: the owner polls
// fd() and calls service() when the socket is ready or next_wake() has come, and everything the listener
// hears, it hears from inside service(), with the instant given there.
//
// A late command is worse than a lost one, so nothing survives a connection: every attempt uses a new client
// of the library (its queue outlives a reconnection otherwise), clean start, session expiry 0. A command is
// refused while earlier bytes still wait for the socket. What the kernel has taken is thrown away when the
// other end has not acknowledged it for 3 s, and when a dead connection is closed. What remains out of reach
// is a broker that froze after its kernel took the bytes: until its silence is noticed (at most two
// keepalives) commands can pile up there and be carried out when it thaws. A frozen broker brings no meter
// samples either, so the rules stop granting long before that.
//
// MQTT 5 is tried first; where the broker refuses that version, 3.1.1 follows at once (without message
// expiry). The payload limit protects the listener; the memory spent before that is bounded by the broker's
// max_packet_size.
#pragma once

#include <chrono>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "adapters/back_off.h"
#include "adapters/link.h"
#include "adapters/will.h"

namespace ampmarshal::adapters {

struct BrokerSettings {
    std::string host;  ///< best an IP address: looking up a name blocks
    int port = 1883;
    std::string client_id;  ///< two clients with the same id throw each other out
    std::optional<std::string> username{};
    std::optional<std::string> password{};
    /// Given: TLS, and the broker's certificate must be signed by this CA.
    std::optional<std::string> ca_file{};
    /// 5 s is the shortest the library allows, and taken for anything less.
    std::chrono::seconds keepalive{5};
    std::optional<Will> will{};
};

class MosquittoLink : public Link {
  public:
    static constexpr std::size_t largest_payload = 65'536;

    /// Connects at the first service(). A link_down() can come without a link_up() before it: the attempt
    /// failed. The same reason is not repeated from attempt to attempt.
    explicit MosquittoLink(BrokerSettings settings);
    ~MosquittoLink() override;
    MosquittoLink(const MosquittoLink&) = delete;
    MosquittoLink& operator=(const MosquittoLink&) = delete;

    void listen(Listener* listener) override { listener_ = listener; }
    void subscribe(std::string_view topic_filter) override;
    bool connected() const override;
    bool publish(const Publication& publication) override;

    /// Ask again before every poll: it changes with each connection, and a number may come back for another
    /// socket.
    std::optional<int> fd() const;
    bool wants_write() const;
    /// When to call service() although the socket is quiet. Nothing: never, the link was closed.
    std::optional<rules::Instant> next_wake() const;
    /// An error or hang-up on the socket counts as readable. Not to be called from inside a listener.
    void service(rules::Instant now, bool readable, bool writable);
    /// Says goodbye, so that the broker keeps the will to itself. For that it waits up to half a second until
    /// the broker has what was published before (nothing else here waits); if it gets no further, the will
    /// speaks. The link stays closed and the listener is not told.
    void close();

    std::uint64_t ignored_oversized() const { return ignored_oversized_; }

  private:
    struct Connection;
    enum class Protocol { mqtt_5, mqtt_3_1_1 };

    bool finish_sending();
    void start();
    std::optional<std::string> configure(Connection& connection) const;
    void transfer(bool readable, bool writable);
    void come_up();
    void hand_over();
    void send_subscription(const std::string& topic_filter);
    void end(const std::string& why);
    std::string why_ended(const Connection& connection) const;
    std::string broker_name() const;

    BrokerSettings settings_;
    Listener* listener_ = nullptr;
    std::vector<std::string> subscriptions_;
    std::unique_ptr<Connection> connection_;
    Protocol protocol_ = Protocol::mqtt_5;
    BackOff back_off_;
    rules::Instant now_{};
    rules::Instant next_attempt_{};
    rules::Instant next_housekeeping_{};
    std::string reported_;
    std::uint64_t ignored_oversized_ = 0;
    bool up_ = false;
    bool closed_ = false;
};

}  // namespace ampmarshal::adapters
