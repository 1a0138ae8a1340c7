// The connection to a broker as the rest of the program sees it. Two things implement it: MosquittoLink over
// a real socket, and the simulated broker of the tests, which needs no socket and no sleeping. Time is handed
// in by whoever runs the loop and handed on to the listener, so nothing below this interface reads a clock.
//
// What a link promises:
//   - publish() sends now or not at all. While the connection is down it returns false and forgets the
//     message: what was not sent is never sent later. After a reconnection the listener decides anew and
//     publishes that.
//   - subscriptions are remembered and made again at every connection, before link_up() is called.
//   - a message marked `retained` is of unknown age.
#pragma once

#include <chrono>
#include <optional>
#include <string>
#include <string_view>

#include "rules/time.h"

namespace ampmarshal::adapters {

/// Only valid during the call that hands it over.
struct Message {
    std::string_view topic;
    std::string_view payload;
    bool retained;
};

enum class Delivery {
    command,  ///< QoS 0, never retained: may start something, so late is worse than lost
    event,    ///< QoS 1, not retained
    state,    ///< QoS 1, retained: the broker keeps it for whoever comes later
};

struct Publication {
    std::string_view topic;
    std::string_view payload;
    Delivery delivery;
    /// The broker drops the message if it could not deliver it in this time (MQTT 5 message expiry).
    std::optional<std::chrono::seconds> expires_after{};
};

class Link {
  public:
    class Listener {
      public:
        virtual ~Listener() = default;
        virtual void link_up(rules::Instant now) = 0;
        virtual void link_down(rules::Instant now, std::string_view why) = 0;
        virtual void received(rules::Instant now, const Message& message) = 0;
    };

    virtual ~Link() = default;
    /// The listener must outlive the link or be replaced by nullptr first.
    virtual void listen(Listener* listener) = 0;
    virtual void subscribe(std::string_view topic_filter) = 0;
    virtual bool connected() const = 0;
    virtual bool publish(const Publication& publication) = 0;
};

}  // namespace ampmarshal::adapters
