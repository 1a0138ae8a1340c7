// A listener that writes down what it hears, for the tests of both links.
#pragma once

#include <string>
#include <vector>

#include "adapters/link.h"

namespace ampmarshal::tests {

class RecordingListener : public adapters::Link::Listener {
  public:
    struct Heard {
        rules::Instant at;
        std::string topic;
        std::string payload;
        bool retained;
    };

    void link_up(rules::Instant now) override { ups.push_back(now); }
    void link_down(rules::Instant, std::string_view why) override { downs.emplace_back(why); }
    void received(rules::Instant now, const adapters::Message& message) override {
        heard.push_back({now, std::string(message.topic), std::string(message.payload), message.retained});
    }

    std::size_t count(std::string_view payload) const {
        std::size_t found = 0;
        for (const Heard& message : heard)
            found += message.payload == payload ? 1 : 0;
        return found;
    }

    std::vector<rules::Instant> ups;
    std::vector<std::string> downs;
    std::vector<Heard> heard;
};

}  // namespace ampmarshal::tests
