// A link for tests of what publishes: it keeps every publication in order, and what a broker would retain. It
// can be down, and it can be told to fail after a number of publications.
#pragma once

#include <cstddef>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "adapters/link.h"

namespace ampmarshal::tests {

struct Published {
    std::string topic;
    std::string payload;
    adapters::Delivery delivery;
};

class RetainingLink : public adapters::Link {
  public:
    void listen(Listener*) override {}
    void subscribe(std::string_view) override {}
    bool connected() const override { return up; }

    bool publish(const adapters::Publication& p) override {
        if (!up || accepts == 0) return false;
        if (accepts) --*accepts;
        sent.push_back({std::string(p.topic), std::string(p.payload), p.delivery});
        if (p.delivery != adapters::Delivery::state) return true;
        if (p.payload.empty())
            retained.erase(std::string(p.topic));
        else
            retained[std::string(p.topic)] = p.payload;
        return true;
    }

    /// The payloads sent to one topic since the last forget(), in order.
    std::vector<std::string> sent_to(std::string_view topic) const {
        std::vector<std::string> payloads;
        for (const Published& p : sent) {
            if (p.topic == topic) payloads.push_back(p.payload);
        }
        return payloads;
    }
    std::optional<std::string> kept(const std::string& topic) const {
        const auto found = retained.find(topic);
        return found == retained.end() ? std::nullopt : std::optional(found->second);
    }
    void forget() { sent.clear(); }

    bool up = true;
    std::optional<std::size_t> accepts{};  ///< publications until it fails; nothing: it does not
    std::vector<Published> sent;
    std::map<std::string, std::string> retained;
};

}  // namespace ampmarshal::tests
