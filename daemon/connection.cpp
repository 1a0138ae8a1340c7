#include "daemon/connection.h"

#include <fstream>

namespace ampmarshal::daemon {

namespace {

/// The first line of the password file, whatever system ended it; nothing (and a line in the log) if it
/// cannot be read.
std::optional<std::string> password(const Broker& broker, const Log& log) {
    if (!broker.password_file) return std::nullopt;
    std::ifstream file(*broker.password_file);
    std::string word;
    if (!std::getline(file, word)) {
        log(Severity::warning,
            "cannot read the password in '" + *broker.password_file + "'; connecting without one");
        return std::nullopt;
    }
    if (word.ends_with('\r')) word.pop_back();
    return word;
}

}  // namespace

adapters::BrokerSettings broker_settings(const Broker& broker, const Log& log) {
    return {.host = broker.host,
            .port = broker.port,
            .client_id = broker.client_id,
            .username = broker.username,
            .password = password(broker, log),
            .ca_file = broker.ca_file,
            .keepalive = broker.keepalive};
}

}  // namespace ampmarshal::daemon
