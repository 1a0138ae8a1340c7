#include "daemon/section.h"

#include <algorithm>
#include <charconv>
#include <nlohmann/json.hpp>
#include <numeric>

#include "adapters/number_at.h"

namespace ampmarshal::daemon {

using nlohmann::json;

std::string in_quotes(std::string_view text) {
    std::string quoted = "\"";
    quoted += text;
    return quoted += '"';
}

namespace {

constexpr std::size_t longest_text = 512;

std::string list(const std::vector<std::string>& words) {
    std::string out;
    for (const auto& word : words)
        out += (out.empty() ? "" : ", ") + in_quotes(word);
    return out;
}

/// Shortest form that reads back the same, as a person would write it.
std::string plain(double value) {
    char buffer[32];
    const auto end = std::to_chars(std::begin(buffer), std::end(buffer), value).ptr;
    return {buffer, end};
}

std::string between(Range range) {
    return "between " + plain(range.least) + " and " + plain(range.most);
}

/// What was found, short enough to repeat.
std::string found(const json& value) {
    const std::string text = value.dump(-1, ' ', false, json::error_handler_t::replace);
    return text.size() <= 60 ? text : std::string("this ") + value.type_name();
}

/// Levenshtein's edit distance.
std::size_t distance(std::string_view a, std::string_view b) {
    std::vector<std::size_t> row(b.size() + 1);
    std::iota(row.begin(), row.end(), std::size_t{0});
    for (std::size_t i = 0; i < a.size(); ++i) {
        std::size_t diagonal = std::exchange(row[0], i + 1);
        for (std::size_t j = 0; j < b.size(); ++j) {
            const std::size_t substituted = diagonal + (a[i] == b[j] ? 0 : 1);
            diagonal = std::exchange(row[j + 1], std::min({substituted, row[j] + 1, row[j + 1] + 1}));
        }
    }
    return row.back();
}

/// What is wrong with a topic to be used without wildcards, or an empty string.
std::string topic_fault(std::string_view topic) {
    if (topic.find_first_of("+#") != std::string_view::npos) return "has a wildcard (+ or #)";
    if (topic.front() == '$') return "begins with $, which belongs to the broker";
    if (topic == "/" || topic.back() == '/' || topic.find("//") != std::string_view::npos)
        return "has an empty level";
    return "";
}

}  // namespace

std::string sentence(const Mistake& mistake) {
    return (mistake.pointer.empty() ? "" : mistake.pointer + ": ") + mistake.wrong +
           (mistake.right.empty() ? "" : "; " + mistake.right);
}

void Section::read(const json& value, std::string pointer, Mistakes& mistakes, const Reader& reader) {
    if (!value.is_object()) {
        mistakes.push_back({std::move(pointer), found(value) + " is not an object", "write { ... } here"});
        return;
    }
    Section section(value, std::move(pointer), mistakes);
    reader(section);
}

void Section::report_unknown() {
    for (const auto& member : value_.items()) {
        if (std::find(known_.begin(), known_.end(), member.key()) != known_.end()) continue;
        const auto nearest =
            std::min_element(known_.begin(), known_.end(), [&](const auto& a, const auto& b) {
                return distance(a, member.key()) < distance(b, member.key());
            });
        const bool close = nearest != known_.end() && distance(*nearest, member.key()) <= nearest->size() / 2;
        mistake(member.key(), "is not known here",
                close ? "did you mean " + in_quotes(*nearest) + "?" : "known are " + list(known_));
    }
}

bool Section::sound() const {
    return mistakes_.size() == mistakes_before_;
}

std::string Section::pointer_to(std::string_view key) const {
    if (key.empty()) return pointer_;
    std::string out = pointer_ + "/";
    for (const char c : key) {
        if (c == '~') {
            out += "~0";
        } else if (c == '/') {
            out += "~1";
        } else {
            out += c;
        }
    }
    return out;
}

void Section::mistake(std::string_view key, std::string wrong, std::string right) {
    mistakes_.push_back({pointer_to(key), std::move(wrong), std::move(right)});
}

const json* Section::find(std::string_view key) {
    if (std::find(known_.begin(), known_.end(), key) == known_.end()) known_.emplace_back(key);
    const auto member = value_.find(key);
    return member == value_.end() ? nullptr : &*member;
}

const json* Section::require(std::string_view key, std::string_view what, bool has_fallback) {
    const json* value = find(key);
    if (value == nullptr && !has_fallback) mistake(key, "is missing", "give " + std::string(what));
    return value;
}

bool Section::has(std::string_view key) {
    return find(key) != nullptr;
}

double Section::number(std::string_view key, Range range, std::optional<double> fallback) {
    const std::string right = "a number " + between(range);
    const double stand_in = fallback.value_or(range.least);
    const json* value = require(key, right, fallback.has_value());
    if (value == nullptr) return stand_in;
    if (value->is_number()) {
        const double number = value->get<double>();
        if (number >= range.least && number <= range.most) return number;
    }
    mistake(key, found(*value) + (value->is_number() ? " is out of range" : " is not a number"),
            "give " + right);
    return stand_in;
}

int Section::whole(std::string_view key, Range range, std::optional<int> fallback) {
    const std::string right = "a whole number " + between(range);
    const int stand_in = fallback.value_or(static_cast<int>(range.least));
    const json* value = require(key, right, fallback.has_value());
    if (value == nullptr) return stand_in;
    if (value->is_number_integer()) {
        // Compared as floating point first: converted straight to int, a large number would silently wrap
        // around.
        const double number = value->get<double>();
        if (number >= range.least && number <= range.most) return static_cast<int>(number);
    }
    mistake(key, found(*value) + (value->is_number_integer() ? " is out of range" : " is not a whole number"),
            "give " + right);
    return stand_in;
}

bool Section::flag(std::string_view key, bool fallback) {
    const json* value = find(key);
    if (value == nullptr) return fallback;
    if (value->is_boolean()) return value->get<bool>();
    mistake(key, found(*value) + " is neither true nor false", "write true or false, without quotes");
    return fallback;
}

std::string Section::text(std::string_view key, const std::optional<std::string>& fallback) {
    const json* value = require(key, "a text", fallback.has_value());
    if (value == nullptr) return fallback.value_or("");
    if (value->is_string()) {
        const auto& text = value->get_ref<const std::string&>();
        const bool printable =
            std::none_of(text.begin(), text.end(), [](unsigned char c) { return c < ' '; });
        if (!text.empty() && text.size() <= longest_text && printable) return text;
    }
    mistake(key,
            found(*value) + " is not a text of 1 to " + std::to_string(longest_text) + " bytes on one line",
            "write it in quotes");
    return fallback.value_or("");
}

std::optional<std::string> Section::optional_text(std::string_view key) {
    if (!has(key)) return std::nullopt;
    return text(key);
}

std::string Section::id(std::string_view key, std::string (*fault)(std::string_view)) {
    std::string id = text(key);
    if (id.empty()) return id;
    if (std::string wrong = fault(id); !wrong.empty()) mistake(key, std::move(wrong), "");
    return id;
}

std::string Section::json_pointer(std::string_view key) {
    const json* value = find(key);
    if (value == nullptr) return "";
    if (value->is_string()) {
        const auto& text = value->get_ref<const std::string&>();
        if (text.size() <= longest_text && adapters::is_json_pointer(text)) return text;
    }
    mistake(key, found(*value) + " is not a JSON Pointer",
            "begin each level with / as in \"/current\" or \"/phase/0/amps\"; \"\" is the whole message");
    return "";
}

std::string Section::topic(std::string_view key) {
    std::string topic = text(key);
    if (topic.empty()) return topic;
    if (const std::string fault = topic_fault(topic); !fault.empty()) {
        mistake(key, in_quotes(topic) + " " + fault, "name one topic in full, as in \"rig/meter/l1\"");
    }
    return topic;
}

std::optional<std::size_t> Section::one_of(std::string_view key, const std::vector<std::string>& words,
                                           std::optional<std::size_t> fallback) {
    const std::string right = "one of " + list(words);
    const json* value = require(key, right, fallback.has_value());
    if (value == nullptr) return fallback;
    if (value->is_string()) {
        const auto word = std::find(words.begin(), words.end(), value->get_ref<const std::string&>());
        if (word != words.end()) return static_cast<std::size_t>(word - words.begin());
    }
    mistake(key, found(*value) + " is not possible here", "give " + right);
    return std::nullopt;
}

void Section::object(std::string_view key, Absent absent, const Reader& reader) {
    static const json empty = json::object();
    const json* value = require(key, "an object { ... }", absent != Absent::mistaken);
    if (value == nullptr && absent == Absent::empty) value = &empty;
    if (value != nullptr) read(*value, pointer_to(key), mistakes_, reader);
}

void Section::each(std::string_view key, std::size_t least, std::size_t most, const Reader& reader) {
    const std::string right =
        "a list [ ... ] of " + std::to_string(least) + " to " + std::to_string(most) + " objects";
    const json* value = require(key, right, least == 0);
    if (value == nullptr) return;
    if (!value->is_array()) return mistake(key, found(*value) + " is not a list", "give " + right);
    if (value->size() < least || value->size() > most) {
        mistake(key, "has " + std::to_string(value->size()) + " entries", "give " + right);
    }
    for (std::size_t i = 0; i < value->size(); ++i) {
        read((*value)[i], pointer_to(key) + "/" + std::to_string(i), mistakes_, reader);
    }
}

std::vector<std::string> Section::texts(std::string_view key,
                                        const std::optional<std::vector<std::string>>& fallback) {
    const std::string right = R"(a list of texts, as in ["L1"])";
    const json* value = require(key, right, fallback.has_value());
    if (value == nullptr) return fallback.value_or(std::vector<std::string>{});
    const auto is_text = [](const json& entry) { return entry.is_string(); };
    if (value->is_array() && !value->empty() && std::all_of(value->begin(), value->end(), is_text)) {
        return value->get<std::vector<std::string>>();
    }
    mistake(key, found(*value) + " is not a list of texts", "give " + right);
    return fallback.value_or(std::vector<std::string>{});
}

std::vector<std::string> Section::keys() const {
    std::vector<std::string> keys;
    for (const auto& member : value_.items())
        keys.push_back(member.key());
    return keys;
}

}  // namespace ampmarshal::daemon
