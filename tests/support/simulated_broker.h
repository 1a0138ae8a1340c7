// A broker in memory, for tests in simulated time: no socket, no clock, no sleeping. Parts under test get
// clients of it where the real program has a MosquittoLink. Time passes only in run_until(); messages arrive
// `latency` after they were published, those due at the same instant in the order of their publication, so a
// run repeats exactly.
//
// What happens between two calls of run_until() happens at the end of the first. A test that publishes at an
// instant of its own calls run_until() with that instant before.
//
// The broker must outlive its clients. A client that is destroyed has vanished: its last will is published.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <unordered_map>
#include <vector>

#include "adapters/link.h"
#include "adapters/will.h"
#include "rules/time.h"

namespace ampmarshal::tests {

/// The matching of MQTT 5 section 4.7: + is one level, # is the rest, and neither catches a leading $.
bool topic_matches(std::string_view topic_filter, std::string_view topic);

class SimulatedBroker {
  public:
    class Client : public adapters::Link {
      public:
        ~Client() override;
        Client(const Client&) = delete;
        Client& operator=(const Client&) = delete;

        void listen(Listener* listener) override { listener_ = listener; }
        void subscribe(std::string_view topic_filter) override;
        bool connected() const override { return state_ == State::up; }
        bool publish(const adapters::Publication& publication) override;

      private:
        friend class SimulatedBroker;
        enum class State { down, connecting, up };

        Client(SimulatedBroker& broker, std::string_view id, std::optional<adapters::Will> will)
            : broker_(broker), id_(id), will_(std::move(will)) {}

        SimulatedBroker& broker_;
        std::string_view id_;
        std::optional<adapters::Will> will_;
        Listener* listener_ = nullptr;
        std::vector<std::string> subscriptions_;
        State state_ = State::down;
        bool waits_for_broker_ = false;
    };

    /// A message on its way to one client. Its names are the broker's own, and good for as long as that
    /// lives.
    struct InTransit {
        std::string_view from;
        std::string_view to;
        std::string_view topic;
        std::string payload;
        bool retained;
        rules::Instant due;
        /// Not delivered after this; a delay counts as time spent in the broker.
        std::optional<rules::Instant> expires;
    };

    /// Sees every message as it sets out, may change anything in it but `to`, and says how many copies
    /// arrive: 1 leaves it alone, 0 loses it, 2 repeats it.
    using Meddler = std::function<std::size_t(InTransit&)>;

    explicit SimulatedBroker(rules::Duration latency) : latency_(latency) {}
    ~SimulatedBroker();
    SimulatedBroker(const SimulatedBroker&) = delete;
    SimulatedBroker& operator=(const SimulatedBroker&) = delete;

    /// A client that begins to connect now and is up one latency later. `id` names it for the meddler.
    std::unique_ptr<Client> client(std::string id, std::optional<adapters::Will> will = std::nullopt);

    /// Everything due until then, in order; listeners are told the instant at which each thing was due.
    void run_until(rules::Instant end);
    rules::Instant now() const { return now_; }
    /// When the next thing is due, for a test that has other clocks to interleave.
    std::optional<rules::Instant> next_due() const;

    /// The client's connection breaks: what is under way to it is lost, and its will is published.
    void cut(Client& client, std::string_view why);
    /// Connects again a client that was cut.
    void restore(Client& client);

    /// The broker dies: every connection breaks, everything under way is lost, no wills. Retained messages
    /// are kept.
    void stop(std::string_view why);
    /// Clients that were up or connecting when it died connect again.
    void start();
    /// What a broker without persistence has after a restart.
    void forget_retained();
    std::optional<std::string> retained(std::string_view topic) const;

    void meddle(Meddler meddler) { meddler_ = std::move(meddler); }

  private:
    struct Retained {
        std::string_view from;
        std::string payload;
        std::optional<rules::Instant> expires;
    };
    struct Topic {
        std::optional<Retained> retained;
        /// Who gets it; made anew after a change of subscriptions or clients.
        std::vector<Client*> receivers;
        std::uint64_t receivers_of = 0;
    };
    struct Hash {
        using is_transparent = void;
        std::size_t operator()(std::string_view text) const { return std::hash<std::string_view>{}(text); }
    };
    using Topics = std::unordered_map<std::string, Topic, Hash, std::equal_to<>>;
    struct Due {
        rules::Instant at;
        Client* client;
        /// Nothing: the client comes up.
        std::unique_ptr<InTransit> message;
    };

    Topics::value_type& topic(std::string_view name);
    void accept(std::string_view from, const adapters::Publication& publication);
    const std::vector<Client*>& receivers(Topics::value_type& topic);
    /// What each of its receivers is sent.
    struct Departure {
        std::string_view from;
        std::string_view topic;
        std::string_view payload;
        bool retained;
        std::optional<rules::Instant> expires;
    };
    void send(Client& to, const Departure& departure);
    void send_retained(Client& to, std::string_view topic_filter);
    void enqueue(Due due);
    std::unique_ptr<InTransit> blank();
    void begin_to_connect(Client& client);
    void break_connection(Client& client, std::string_view why);
    void publish_will(const Client& client);
    void come_up(Client& client);
    void forget_due(const Client& client);

    rules::Duration latency_;
    rules::Instant now_{};
    bool running_ = true;
    std::set<std::string, std::less<>> ids_;  ///< of all clients that ever were
    std::vector<Client*> clients_;
    Topics topics_;
    /// By where a publisher has the name, which is nearly always where it had it before.
    std::array<Topics::value_type*, 512> lately_{};
    std::uint64_t subscriptions_changed_ = 1;
    /// In order; equal instants stay in the order of insertion.
    std::deque<Due> due_;
    std::vector<std::unique_ptr<InTransit>> spare_;  ///< delivered: their memory serves the next
    Meddler meddler_;
};

}  // namespace ampmarshal::tests
