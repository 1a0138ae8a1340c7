// What the broker publishes in a client's name when the client vanishes without a clean goodbye.
#pragma once

#include <string>

namespace ampmarshal::adapters {

struct Will {
    std::string topic;
    std::string payload;
    bool retained = true;
};

}  // namespace ampmarshal::adapters
