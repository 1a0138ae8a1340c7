#include "adapters/mosquitto_link.h"

#include <mosquitto.h>
#include <mqtt_protocol.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/socket.h>

#include <algorithm>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <functional>
#include <limits>
#include <map>
#include <set>
#include <utility>

namespace ampmarshal::adapters {

using rules::Instant;

namespace {

/// Unacknowledged bytes older than this are thrown away by the kernel, and the connection with them.
constexpr int user_timeout_ms = 3000;
/// How long the broker has to accept us, from the first packet to its CONNACK.
constexpr auto accept_window = std::chrono::seconds(5);
/// The library's keepalive works in whole seconds.
constexpr auto housekeeping_period = std::chrono::seconds(1);
/// A connection that ends sooner counts as one more failure: two clients with the same id would otherwise
/// throw each other out four times a second.
constexpr auto stable_after = std::chrono::seconds(5);
/// Events and states the broker has not acknowledged; more are refused.
constexpr std::size_t most_unacknowledged = 10'000;
/// How long a goodbye waits for the broker to take what was published before.
constexpr auto longest_goodbye = std::chrono::milliseconds(500);
constexpr auto shortest_keepalive = std::chrono::seconds(5);

void initialise_library() {
    static const int once = []() -> int {
        // Later versions of the library leave SIGPIPE to us; a lost broker must not end the program.
        if (std::signal(SIGPIPE, SIG_IGN) == SIG_ERR) return MOSQ_ERR_ERRNO;
        return mosquitto_lib_init();
    }();
    static_cast<void>(once);
}

/// Closing a dead connection throws away what was not sent; a clean goodbye must still get through.
void discard_unsent_on_close(int socket, bool discard) {
    const linger option{.l_onoff = discard ? 1 : 0, .l_linger = 0};
    setsockopt(socket, SOL_SOCKET, SO_LINGER, &option, sizeof option);
}

void prepare_socket(int socket) {
    setsockopt(socket, IPPROTO_TCP, TCP_USER_TIMEOUT, &user_timeout_ms, sizeof user_timeout_ms);
    discard_unsent_on_close(socket, true);
}

int take_socket_error(int socket) {
    int error = 0;
    socklen_t size = sizeof error;
    getsockopt(socket, SOL_SOCKET, SO_ERROR, &error, &size);
    return error;
}

/// MQTT 3.1.1 has refusals of its own, 1 to 5; those of MQTT 5 start at 128.
std::string refusal(int connack) {
    if (connack == CONNACK_REFUSED_BAD_USERNAME_PASSWORD || connack == CONNACK_REFUSED_NOT_AUTHORIZED ||
        connack == MQTT_RC_BAD_USERNAME_OR_PASSWORD || connack == MQTT_RC_NOT_AUTHORIZED) {
        return "check user name, password and its access rules";
    }
    return connack < MQTT_RC_UNSPECIFIED ? mosquitto_connack_string(connack)
                                         : mosquitto_reason_string(connack);
}

}  // namespace

/// One attempt and the connection it may become. The library's callbacks run under its lock, so they only
/// note here what happened; the link acts on it after the library has returned.
struct MosquittoLink::Connection {
    struct Incoming {
        std::string topic;
        std::string payload;
        bool retained;
    };

    Connection(const std::string& client_id, Instant now)
        : client(mosquitto_new(client_id.c_str(), true, this)), started(now) {}
    ~Connection() { mosquitto_destroy(client); }
    Connection(const Connection&) = delete;
    Connection& operator=(const Connection&) = delete;

    static Connection& of(void* self) { return *static_cast<Connection*>(self); }
    static void on_connack(mosquitto*, void* self, int code, int, const mosquitto_property*);
    static void on_disconnect(mosquitto*, void* self, int code, const mosquitto_property*);
    static void on_subscribed(mosquitto*, void* self, int id, int count, const int* granted,
                              const mosquitto_property*);
    static void on_published(mosquitto*, void* self, int id, int, const mosquitto_property*);
    static void on_message(mosquitto*, void* self, const mosquitto_message*, const mosquitto_property*);

    /// What it said first is no CONNACK that can be read.
    bool answered_unreadably() const {
        return !connack && (end_code == MOSQ_ERR_PROTOCOL || end_code == MOSQ_ERR_MALFORMED_PACKET);
    }
    bool ended() const { return mistake || end_code || socket_error != 0 || mosquitto_socket(client) < 0; }

    /// To be called with a result of the library at once, while errno still belongs to it.
    void note(int result) {
        const int error = errno;
        if (result <= MOSQ_ERR_SUCCESS) return;
        if (result == MOSQ_ERR_ERRNO) socket_error = error;
        if (!end_code) end_code = result;
    }

    mosquitto* client;
    Instant started;
    std::optional<int> connack{};
    bool subscribed = false;
    std::map<int, std::string> unconfirmed_subscriptions{};
    std::optional<std::string> mistake{};  ///< what we ask and cannot have
    std::optional<int> end_code{};
    int socket_error = 0;
    std::set<int> unacknowledged{};
    std::vector<Incoming> inbox{};
    std::uint64_t oversized = 0;
};

void MosquittoLink::Connection::on_connack(mosquitto*, void* self, int code, int, const mosquitto_property*) {
    of(self).connack = code;
}

void MosquittoLink::Connection::on_disconnect(mosquitto*, void* self, int code, const mosquitto_property*) {
    of(self).end_code = code;
}

void MosquittoLink::Connection::on_subscribed(mosquitto*, void* self, int id, int count, const int* granted,
                                              const mosquitto_property*) {
    const auto confirmed = of(self).unconfirmed_subscriptions.extract(id);
    if (confirmed.empty() || (count == 1 && granted[0] < MQTT_RC_UNSPECIFIED)) return;
    of(self).mistake =
        "the broker refuses the subscription to " + confirmed.mapped() + ": check its access rules";
}

void MosquittoLink::Connection::on_published(mosquitto*, void* self, int id, int, const mosquitto_property*) {
    of(self).unacknowledged.erase(id);
}

void MosquittoLink::Connection::on_message(mosquitto*, void* self, const mosquitto_message* message,
                                           const mosquitto_property*) {
    const auto size = static_cast<std::size_t>(message->payloadlen);
    if (size > largest_payload) {
        ++of(self).oversized;
        return;
    }
    of(self).inbox.push_back(
        {message->topic, std::string(static_cast<const char*>(message->payload), size), message->retain});
}

MosquittoLink::MosquittoLink(BrokerSettings settings)
    : settings_(std::move(settings)),
      back_off_(static_cast<std::uint32_t>(std::hash<std::string>{}(settings_.client_id))) {
    initialise_library();
}

MosquittoLink::~MosquittoLink() = default;

bool MosquittoLink::connected() const {
    return up_ && !connection_->ended();
}

std::optional<int> MosquittoLink::fd() const {
    if (!connection_ || connection_->ended()) return std::nullopt;
    return mosquitto_socket(connection_->client);
}

bool MosquittoLink::wants_write() const {
    return connection_ && mosquitto_want_write(connection_->client);
}

std::optional<Instant> MosquittoLink::next_wake() const {
    if (closed_) return std::nullopt;
    if (!connection_) return next_attempt_;
    return connection_->ended() ? now_ : next_housekeeping_;
}

void MosquittoLink::subscribe(std::string_view topic_filter) {
    if (std::find(subscriptions_.begin(), subscriptions_.end(), topic_filter) != subscriptions_.end()) return;
    subscriptions_.emplace_back(topic_filter);
    if (connected()) send_subscription(subscriptions_.back());
}

bool MosquittoLink::publish(const Publication& publication) {
    if (!connected()) return false;
    mosquitto* const client = connection_->client;
    const bool is_command = publication.delivery == Delivery::command;
    if (is_command && mosquitto_want_write(client)) return false;
    if (!is_command && connection_->unacknowledged.size() >= most_unacknowledged) return false;
    if (publication.payload.size() > largest_payload) return false;

    mosquitto_property* properties = nullptr;
    if (publication.expires_after && protocol_ == Protocol::mqtt_5) {
        const auto most = std::chrono::seconds(std::numeric_limits<std::uint32_t>::max());
        const auto expiry = std::clamp(*publication.expires_after, std::chrono::seconds(0), most);
        mosquitto_property_add_int32(&properties, MQTT_PROP_MESSAGE_EXPIRY_INTERVAL,
                                     static_cast<std::uint32_t>(expiry.count()));
    }
    int id = 0;
    const int result = mosquitto_publish_v5(
        client, &id, std::string(publication.topic).c_str(), static_cast<int>(publication.payload.size()),
        publication.payload.data(), is_command ? 0 : 1, publication.delivery == Delivery::state, properties);
    mosquitto_property_free_all(&properties);
    if (result != MOSQ_ERR_SUCCESS) return false;
    if (!is_command) connection_->unacknowledged.insert(id);
    return true;
}

void MosquittoLink::service(Instant now, bool readable, bool writable) {
    if (closed_) return;
    now_ = now;
    if (!connection_) {
        if (now >= next_attempt_) start();
        return;
    }
    if (!connection_->ended()) transfer(readable, writable);
    if (!up_ && connection_->connack == CONNACK_ACCEPTED && !connection_->ended()) come_up();
    // Retained messages can overtake the confirmation of their subscription; they wait for link_up().
    if (up_) hand_over();
    if (!connection_) return;  // the listener closed the link
    if (connection_->ended()) {
        end(why_ended(*connection_));
    } else if (!up_ && now - connection_->started >= accept_window) {
        end(broker_name() + " does not answer in time: check that host and port are those of an MQTT broker");
    }
}

void MosquittoLink::close() {
    closed_ = true;
    if (connected()) {
        discard_unsent_on_close(mosquitto_socket(connection_->client), false);
        // Where the last words did not get through, the will must speak.
        if (finish_sending()) mosquitto_disconnect(connection_->client);
    }
    up_ = false;
    connection_.reset();
}

/// The library sends only some twenty events and states ahead of their acknowledgement, and a goodbye would
/// overtake the rest. True once the broker has everything.
bool MosquittoLink::finish_sending() {
    mosquitto* const client = connection_->client;
    const auto deadline = std::chrono::steady_clock::now() + longest_goodbye;
    while (wants_write() || !connection_->unacknowledged.empty()) {
        const auto left =
            std::chrono::ceil<std::chrono::milliseconds>(deadline - std::chrono::steady_clock::now());
        if (connection_->ended() || left.count() <= 0) return false;
        const auto events = static_cast<short>(wants_write() ? POLLIN | POLLOUT : POLLIN);
        pollfd socket{mosquitto_socket(client), events, 0};
        if (poll(&socket, 1, static_cast<int>(left.count())) <= 0) continue;
        if (socket.revents != POLLOUT) connection_->note(mosquitto_loop_read(client, 1));
        if (!connection_->ended()) connection_->note(mosquitto_loop_write(client, 1));
    }
    return true;
}

void MosquittoLink::start() {
    connection_ = std::make_unique<Connection>(settings_.client_id, now_);
    connection_->mistake = configure(*connection_);
    if (connection_->mistake) return end(why_ended(*connection_));

    const auto keepalive = static_cast<int>(std::max(settings_.keepalive, shortest_keepalive).count());
    connection_->note(
        mosquitto_connect_async(connection_->client, settings_.host.c_str(), settings_.port, keepalive));
    if (connection_->ended()) return end(why_ended(*connection_));
    prepare_socket(mosquitto_socket(connection_->client));
    next_housekeeping_ = now_ + housekeeping_period;
}

/// Everything that must be set before connecting. Returns what is wrong with the settings.
std::optional<std::string> MosquittoLink::configure(Connection& connection) const {
    mosquitto* const client = connection.client;
    if (client == nullptr) return "the client id for the broker must be valid UTF-8 text";
    mosquitto_int_option(client, MOSQ_OPT_PROTOCOL_VERSION,
                         protocol_ == Protocol::mqtt_5 ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311);
    mosquitto_int_option(client, MOSQ_OPT_TCP_NODELAY, 1);
    mosquitto_connect_v5_callback_set(client, Connection::on_connack);
    mosquitto_disconnect_v5_callback_set(client, Connection::on_disconnect);
    mosquitto_subscribe_v5_callback_set(client, Connection::on_subscribed);
    mosquitto_publish_v5_callback_set(client, Connection::on_published);
    mosquitto_message_v5_callback_set(client, Connection::on_message);
    if (settings_.username) {
        mosquitto_username_pw_set(client, settings_.username->c_str(),
                                  settings_.password ? settings_.password->c_str() : nullptr);
    }
    if (settings_.ca_file && mosquitto_tls_set(client, settings_.ca_file->c_str(), nullptr, nullptr, nullptr,
                                               nullptr) != MOSQ_ERR_SUCCESS) {
        return "the CA file " + *settings_.ca_file + " cannot be read: check its path and permissions";
    }
    if (!settings_.will) return std::nullopt;
    const Will& will = *settings_.will;
    if (mosquitto_will_set(client, will.topic.c_str(), static_cast<int>(will.payload.size()),
                           will.payload.data(), 1, will.retained) != MOSQ_ERR_SUCCESS) {
        return "the topic of the last will, " + will.topic +
               ", is no topic to publish to: check it for # and +";
    }
    return std::nullopt;
}

void MosquittoLink::transfer(bool readable, bool writable) {
    mosquitto* const client = connection_->client;
    if (!up_ && (readable || writable)) {
        connection_->socket_error = take_socket_error(mosquitto_socket(client));
        if (connection_->socket_error != 0) return;
    }
    if (readable) connection_->note(mosquitto_loop_read(client, 1));
    if (writable && !connection_->ended()) connection_->note(mosquitto_loop_write(client, 1));
    if (now_ >= next_housekeeping_ && !connection_->ended()) {
        connection_->note(mosquitto_loop_misc(client));
        next_housekeeping_ = now_ + housekeeping_period;
    }
}

void MosquittoLink::come_up() {
    if (!std::exchange(connection_->subscribed, true)) {
        for (const std::string& topic_filter : subscriptions_)
            send_subscription(topic_filter);
    }
    // Not before the broker has confirmed: an answer to the first command would be missed.
    if (!connection_->unconfirmed_subscriptions.empty() || connection_->ended()) return;
    up_ = true;
    reported_.clear();
    if (listener_ != nullptr) listener_->link_up(now_);
}

void MosquittoLink::send_subscription(const std::string& topic_filter) {
    // QoS 0, because the session ends with the connection and QoS 1 would only add acknowledgements. No
    // "retain as published": a message marked retained then always comes from the broker's store.
    int id = 0;
    const int result = mosquitto_subscribe(connection_->client, &id, topic_filter.c_str(), 0);
    if (result == MOSQ_ERR_SUCCESS) {
        connection_->unconfirmed_subscriptions.emplace(id, topic_filter);
    } else if (result == MOSQ_ERR_INVAL || result == MOSQ_ERR_MALFORMED_UTF8) {
        connection_->mistake =
            "the topic filter " + topic_filter + " is none: check where # and + stand in it";
    } else {
        connection_->note(result);
    }
}

void MosquittoLink::hand_over() {
    ignored_oversized_ += std::exchange(connection_->oversized, 0);
    const auto inbox = std::exchange(connection_->inbox, {});
    for (const auto& [topic, payload, retained] : inbox) {
        if (closed_) return;
        if (listener_ != nullptr) listener_->received(now_, {topic, payload, retained});
    }
}

void MosquittoLink::end(const std::string& why) {
    const bool was_up = std::exchange(up_, false);
    // A broker of 3.1.1 may refuse in its own form, which not every version of the library can read.
    const bool version_refused =
        protocol_ == Protocol::mqtt_5 &&
        (connection_->connack == MQTT_RC_UNSUPPORTED_PROTOCOL_VERSION || connection_->answered_unreadably());
    const bool was_stable = was_up && now_ - connection_->started >= stable_after;
    connection_.reset();
    if (version_refused) {
        protocol_ = Protocol::mqtt_3_1_1;
        next_attempt_ = now_;
        return;
    }
    protocol_ = Protocol::mqtt_5;
    if (was_stable) back_off_.reset();
    next_attempt_ = now_ + back_off_.next();
    if (!was_up && why == reported_) return;
    reported_ = why;
    if (listener_ != nullptr) listener_->link_down(now_, why);
}

std::string MosquittoLink::why_ended(const Connection& connection) const {
    if (connection.mistake) return *connection.mistake;
    if (connection.connack.value_or(CONNACK_ACCEPTED) != CONNACK_ACCEPTED) {
        return broker_name() + " refuses us: " + refusal(*connection.connack);
    }
    const int code = connection.end_code.value_or(MOSQ_ERR_CONN_LOST);
    if (code == MOSQ_ERR_EAI || code == MOSQ_ERR_LOOKUP) {
        return "the broker's host name " + settings_.host +
               " cannot be looked up: check it, or give an IP address";
    }
    if (code == MOSQ_ERR_TLS || code == MOSQ_ERR_TLS_HANDSHAKE) {
        return broker_name() +
               " fails the TLS handshake: check the CA file, the clock, and that its certificate" +
               " is for " + settings_.host;
    }
    if (code == MQTT_RC_SESSION_TAKEN_OVER) {
        return broker_name() + " threw us out: another client uses our id " + settings_.client_id;
    }
    if (connection.answered_unreadably()) {
        return broker_name() +
               " answers what is not MQTT: check that host and port are those of an MQTT broker";
    }
    const std::string detail = connection.socket_error != 0  ? std::strerror(connection.socket_error)
                               : code >= MQTT_RC_UNSPECIFIED ? mosquitto_reason_string(code)
                                                             : mosquitto_strerror(code);
    if (!connection.connack) {
        return broker_name() + " does not answer (" + detail + "): check that it runs, and its host and port";
    }
    // Not every broker says that the session was taken over.
    const bool soon = now_ - connection.started < stable_after;
    return "the connection to " + broker_name() + " ended: " + detail +
           (soon ? " If this repeats, another client may be using our id " + settings_.client_id : "");
}

std::string MosquittoLink::broker_name() const {
    return "the broker at " + settings_.host + ":" + std::to_string(settings_.port);
}

}  // namespace ampmarshal::adapters
