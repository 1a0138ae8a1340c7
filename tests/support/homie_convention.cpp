#include "tests/support/homie_convention.h"

#include <nlohmann/json.hpp>
#include <regex>
#include <set>
#include <sstream>

namespace ampmarshal::tests::homie_convention {

namespace {

using Json = nlohmann::json;

bool is_id(const std::string& id) {
    return std::regex_match(id, std::regex("[a-z0-9-]+"));
}

std::vector<std::string> enum_values(const std::string& format) {
    std::vector<std::string> values;
    std::istringstream in(format);
    for (std::string value; std::getline(in, value, ',');)
        values.push_back(value);
    return values;
}

/// A missing datatype or a value that is not of it; ranges are "min:max[:step]".
bool is_value(const Json& property, const std::string& payload) {
    const std::string datatype = property.value("datatype", "");
    const std::string format = property.value("format", "");
    if (datatype == "string") return !payload.empty();
    if (datatype == "boolean") return payload == "true" || payload == "false";
    if (datatype == "enum") {
        for (const std::string& value : enum_values(format)) {
            if (value == payload) return true;
        }
        return false;
    }
    const bool whole = datatype == "integer" && std::regex_match(payload, std::regex("-?[0-9]+"));
    const bool number =
        datatype == "float" && std::regex_match(payload, std::regex("-?[0-9]*\\.?[0-9]+([eE][-+]?[0-9]+)?"));
    if (!whole && !number) return false;
    std::smatch range;
    if (!std::regex_match(format, range, std::regex("([^:]*):([^:]*)(:.*)?"))) return true;
    const double value = std::stod(payload);
    return (range[1].length() == 0 || value >= std::stod(range[1])) &&
           (range[2].length() == 0 || value <= std::stod(range[2]));
}

void check_property(const std::string& where, const Json& property, Faults& faults) {
    static const std::set<std::string> datatypes{"integer", "float",    "boolean",  "string", "enum",
                                                 "color",   "datetime", "duration", "json"};
    static const std::set<std::string> known{"name", "datatype", "format", "settable", "retained", "unit"};
    for (const auto& [key, value] : property.items()) {
        if (known.count(key) == 0)
            faults.push_back(std::string(where).append(": unknown attribute ").append(key));
    }
    const std::string datatype = property.value("datatype", "");
    if (datatypes.count(datatype) == 0) faults.push_back(where + ": unknown datatype " + datatype);
    const std::string format = property.value("format", "");
    if (property.contains("format") && format.empty()) faults.push_back(where + ": an empty format");
    const auto values = enum_values(format);
    if (datatype == "enum") {
        if (values.empty()) faults.push_back(where + ": an enum needs its values as format");
        if (std::set<std::string>(values.begin(), values.end()).size() != values.size()) {
            faults.push_back(where + ": a value twice in the format");
        }
    }
    if (datatype == "boolean" && !format.empty() && (values.size() != 2 || values[0] == values[1])) {
        faults.push_back(where + ": a boolean has two different labels");
    }
    const bool range = std::regex_match(format, std::regex("-?[0-9.]*:-?[0-9.]*(:[0-9.]+)?"));
    if ((datatype == "integer" || datatype == "float") && !format.empty() && !range) {
        faults.push_back(where + ": format '" + format + "' is no range");
    }
    for (const char* key : {"settable", "retained"}) {
        if (property.contains(key) && !property[key].is_boolean()) faults.push_back(where + ": " + key);
    }
    for (const char* key : {"name", "unit"}) {
        if (property.contains(key) &&
            (!property[key].is_string() || property[key].get<std::string>().empty())) {
            faults.push_back(where + ": " + key);
        }
    }
}

}  // namespace

Faults description_faults(const std::string& text) {
    const Json d = Json::parse(text, nullptr, false);
    if (!d.is_object()) return {"the description is no JSON object"};
    Faults faults;
    static const std::set<std::string> known{"homie",    "version", "name",   "type",      "nodes",
                                             "children", "root",    "parent", "extensions"};
    for (const auto& [key, value] : d.items()) {
        if (known.count(key) == 0) faults.push_back("unknown attribute " + key);
    }
    if (d.value("homie", "") != "5.0") faults.emplace_back("homie is not \"5.0\"");
    if (!d.contains("version") || !d["version"].is_number_integer())
        faults.emplace_back("version is no integer");
    if (d.value("name", "").empty()) faults.emplace_back("no name");
    const Json nodes = d.value("nodes", Json::object());
    for (const auto& [id, node] : nodes.items()) {
        if (!is_id(id)) faults.push_back("node id " + id);
        const Json properties = node.value("properties", Json::object());
        for (const auto& [property_id, property] : properties.items()) {
            const std::string where = std::string(id).append("/").append(property_id);
            if (!is_id(property_id)) faults.push_back("property id " + where);
            check_property(where, property, faults);
        }
    }
    return faults;
}

Faults device_faults(const std::map<std::string, std::string>& retained, const std::string& base) {
    const auto described = retained.find(base + "/$description");
    if (described == retained.end()) return {"no $description"};
    Faults faults = description_faults(described->second);
    if (!faults.empty()) return faults;
    const Json d = Json::parse(described->second);
    static const std::set<std::string> states{"init", "ready", "disconnected", "sleeping", "lost"};
    for (const auto& [topic, payload] : retained) {
        if (topic.rfind(base + "/", 0) != 0) {
            faults.push_back(topic + ": outside the device");
            continue;
        }
        std::smatch part;
        const std::string below = topic.substr(base.size() + 1);
        if (below == "$description") continue;
        if (below == "$state") {
            if (states.count(payload) == 0) faults.push_back("state " + payload);
        } else if (std::regex_match(below, part, std::regex("\\$alert/(.*)"))) {
            if (!is_id(part[1])) faults.push_back("alert id " + part[1].str());
        } else if (std::regex_match(below, part, std::regex("([^/]*)/([^/]*)"))) {
            const Json::json_pointer where("/nodes/" + part[1].str() + "/properties/" + part[2].str());
            if (!d.contains(where))
                faults.push_back(topic + ": not described");
            else if (!d.at(where).value("retained", true))
                faults.push_back(topic + ": retained, against its description");
            else if (!is_value(d.at(where), payload))
                faults.push_back(std::string(topic).append(": no value of it: ").append(payload));
        } else {
            faults.push_back(topic + ": no topic of the convention");
        }
    }
    return faults;
}

}  // namespace ampmarshal::tests::homie_convention
