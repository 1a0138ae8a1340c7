// What the user has configured, read from a JSON file that may hold comments. Reading either gives a
// configuration in which everything is checked (so that the rules and adapters need not doubt it), or every
// mistake in the file at once. config/ampmarshal.schema.json describes the same file for editors; the two are
// tested against each other.
#pragma once

#include <chrono>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "adapters/meters.h"
#include "adapters/switches.h"
#include "daemon/section.h"
#include "rules/marshal.h"

namespace ampmarshal::daemon {

struct Broker {
    std::string host;
    std::uint16_t port = 0;
    std::string client_id;
    std::optional<std::string> username{};
    std::optional<std::string> password_file{};  ///< its first line is the password; read when connecting
    std::optional<std::string> ca_file{};  ///< set: TLS, and the broker's certificate must be signed by it
    std::chrono::seconds keepalive{};
};

/// A topic that tells which source the rig is plugged into.
struct SourceSelection {
    std::string topic;
    std::string pointer;                              ///< JSON Pointer; empty: the payload as it comes
    std::map<std::string, rules::SourceIndex> names;  ///< every source's own id, and the user's names for it
};

enum class OnStop {
    hold,   ///< tell every controlled load to stop
    leave,  ///< leave every switch as it is
};

struct Configuration {
    std::string device_id;  ///< the rig's id, under which it is published
    std::string homie_domain;
    Broker broker;
    rules::Rig rig;
    std::optional<rules::SourceIndex> present_source;  ///< until the topic, or a person, says otherwise
    std::optional<SourceSelection> source_selection;
    std::vector<std::optional<adapters::NumberAt>>
        battery_charge;  ///< by SourceIndex, in percent; for a source with a LowBattery
    std::vector<adapters::MeterWiring> meters;
    std::vector<std::optional<adapters::SwitchWiring>>
        switches;                             ///< by LoadIndex; nothing for an observed load
    std::optional<std::string> state_file{};  ///< keeps what is to survive a restart; without, nothing does
    OnStop on_stop = OnStop::hold;
    Mistakes warnings{};  ///< what is possible, but may not be meant
};

using ConfigurationOrMistakes = std::variant<Configuration, Mistakes>;

/// A larger file is no configuration.
inline constexpr std::size_t largest_configuration_bytes = 1048576;

ConfigurationOrMistakes read_configuration(std::string_view text);
ConfigurationOrMistakes load_configuration(const std::string& path);

}  // namespace ampmarshal::daemon
