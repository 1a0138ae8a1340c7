#include "daemon/plan/what_if.h"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <optional>

namespace ampmarshal::daemon::plan {

namespace {

using Json = nlohmann::ordered_json;

struct Figure {
    std::string id;
    std::string stage;  ///< empty: the last one
    std::string key;
    Json value;
};

constexpr const char* shape = "write ID.KEY=VALUE, for instance ac-front.start_a=16";

std::optional<Figure> figure_of(const std::string& text) {
    const auto equals = text.find('=');
    const auto first = text.find('.');
    if (equals == std::string::npos || first == std::string::npos || first > equals) return std::nullopt;
    const auto last = text.rfind('.', equals);
    Figure figure{.id = text.substr(0, first),
                  .stage = last > first ? text.substr(first + 1, last - first - 1) : "",
                  .key = text.substr(last + 1, equals - last - 1),
                  .value = Json::parse(text.substr(equals + 1), nullptr, false)};
    if (figure.value.is_discarded()) figure.value = text.substr(equals + 1);
    if (figure.id.empty() || figure.key.empty() || figure.value.is_structured()) return std::nullopt;
    return figure;
}

Json* with_id(Json& file, const char* list, const std::string& id) {
    if (!file.is_object() || !file.contains(list) || !file[list].is_array()) return nullptr;
    for (Json& one : file[list])
        if (one.is_object() && one.contains("id") && one["id"] == id) return &one;
    return nullptr;
}

bool any_of(const std::string& key, std::initializer_list<const char*> keys) {
    return std::any_of(keys.begin(), keys.end(), [&](const char* one) { return key == one; });
}

/// The object that the figure belongs into; other ways to say the same leave it.
Json* place_of(Json& file, const Figure& figure) {
    if (Json* source = with_id(file, "sources", figure.id)) {
        if (!figure.stage.empty()) return nullptr;
        const bool site = any_of(figure.key, {"altitude_ft", "altitude_m", "inlet_air_c", "inlet_air_f"});
        if (!site && figure.key != "percent") return source;
        Json& derating = (*source)["derating"];
        if (!derating.is_object() || figure.key == "percent") derating = Json::object();
        derating.erase("percent");
        const std::string quantity = figure.key.substr(0, figure.key.rfind('_') + 1);
        for (const char* unit : {"ft", "m", "c", "f"})
            derating.erase(quantity + unit);
        return &derating;
    }
    Json* load = with_id(file, "loads", figure.id);
    if (!load) return nullptr;
    if (!any_of(figure.key, {"start_a", "running_a", "start_window_s", "latest_after_s"}))
        return figure.stage.empty() ? load : nullptr;
    if (!load->contains("stages") || !(*load)["stages"].is_array() || (*load)["stages"].empty())
        return nullptr;
    for (auto stage = (*load)["stages"].rbegin(); stage != (*load)["stages"].rend(); ++stage) {
        if (!stage->is_object()) return nullptr;
        if (!figure.stage.empty() && (!stage->contains("name") || (*stage)["name"] != figure.stage)) continue;
        if (figure.key == "start_a")
            for (const char* estimate : {"code_letter", "horsepower", "rla_a", "multiple"})
                stage->erase(estimate);
        return &*stage;
    }
    return nullptr;
}

}  // namespace

std::variant<std::string, Mistakes> with_figures(std::string text, const std::vector<std::string>& what_if) {
    if (what_if.empty()) return text;
    Json file = Json::parse(text, nullptr, false, true);
    if (file.is_discarded()) return text;
    Mistakes mistakes;
    for (const std::string& each : what_if) {
        const auto figure = figure_of(each);
        if (!figure) {
            mistakes.push_back({"--what-if", in_quotes(each) + " is not understood", shape});
            continue;
        }
        Json* place = place_of(file, *figure);
        if (place)
            (*place)[figure->key] = figure->value;
        else
            mistakes.push_back({"--what-if",
                                in_quotes(each) + " names no source, load or stage of the configuration",
                                "give an id as it stands there"});
    }
    if (!mistakes.empty()) return mistakes;
    return file.dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace ampmarshal::daemon::plan
