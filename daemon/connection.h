// How the broker of a configuration is reached: what the link needs to know, with the password read from its
// file. For every program that connects; the last will and the client's id are its own business.
#pragma once

#include "adapters/mosquitto_link.h"
#include "daemon/configuration.h"
#include "daemon/steward.h"

namespace ampmarshal::daemon {

/// Reads the password file, and tells the log if that cannot be read.
adapters::BrokerSettings broker_settings(const Broker& broker, const Log& log);

}  // namespace ampmarshal::daemon
