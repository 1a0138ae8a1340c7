#include "adapters/number_at.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>

namespace ampmarshal::adapters {

using nlohmann::json;

namespace {

/// All that have no more digits than a double holds exactly.
constexpr std::array<double, 16> powers_of_ten{1e0, 1e1, 1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                               1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15};

std::string_view trimmed(std::string_view text) {
    constexpr std::string_view blanks = " \t\r\n";
    const auto first = text.find_first_not_of(blanks);
    if (first == std::string_view::npos) return {};
    return text.substr(first, text.find_last_not_of(blanks) - first + 1);
}

std::optional<double> plain_number(std::string_view text) {
    text = trimmed(text);
    double value = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    if (error != std::errc() || end != text.data() + text.size() || !std::isfinite(value))
        return std::nullopt;
    return value;
}

/// One token of a pointer with its escapes undone, in one pass, so that "~01" is "~1" (RFC 6901, section 4).
std::string unescaped(std::string_view token) {
    std::string out;
    for (std::size_t i = 0; i < token.size(); ++i) {
        if (token[i] == '~' && i + 1 < token.size()) {
            out += token[++i] == '1' ? '/' : '~';
        } else {
            out += token[i];
        }
    }
    return out;
}

/// Lists and objects inside each other, in any text: what is no JSON the parser finds later.
bool nests_deeper_than(int levels, std::string_view text) {
    int level = 0;
    bool in_string = false;
    for (std::size_t i = 0; i < text.size(); ++i) {
        const char c = text[i];
        if (c == '"')
            in_string = !in_string;
        else if (in_string)
            i += c == '\\' ? 1 : 0;
        else if ((c == '[' || c == '{') && ++level > levels)
            return true;
        else if (c == ']' || c == '}')
            --level;
    }
    return false;
}

const json* child(const json& parent, std::string_view token) {
    if (parent.is_object()) {
        const auto found = parent.find(unescaped(token));
        return found == parent.end() ? nullptr : &*found;
    }
    if (!parent.is_array() || (token.size() > 1 && token[0] == '0')) return nullptr;
    std::size_t index = 0;
    const auto [end, error] = std::from_chars(token.data(), token.data() + token.size(), index);
    if (error != std::errc() || end != token.data() + token.size() || index >= parent.size()) return nullptr;
    return &parent[index];
}

/// Takes a number off the front: digits, perhaps with a sign and a fraction. Others are for the parser.
std::optional<double> take_number(std::string_view& rest) {
    std::uint64_t digits = 0;
    const auto take_digits = [&](std::size_t from) {
        std::size_t at = from;
        for (; at < rest.size() && rest[at] >= '0' && rest[at] <= '9'; ++at)
            digits = 10 * digits + static_cast<std::uint64_t>(rest[at] - '0');
        return at - from;
    };
    const std::size_t sign = rest.starts_with('-') ? 1 : 0;
    const std::size_t whole = take_digits(sign);
    if (whole == 0 || (whole > 1 && rest[sign] == '0')) return std::nullopt;
    std::size_t length = sign + whole;
    std::size_t fraction = 0;
    if (length < rest.size() && rest[length] == '.') {
        fraction = take_digits(length + 1);
        if (fraction == 0) return std::nullopt;
        length += 1 + fraction;
    }
    double value = 0;
    if (whole + fraction < powers_of_ten.size()) {
        // Both are whole numbers that a double holds exactly, so the division rounds once, as it should.
        value = static_cast<double>(digits) / powers_of_ten[fraction];
        if (sign == 1) value = -value;
    } else {
        const auto [end, error] = std::from_chars(rest.data(), rest.data() + length, value);
        if (error != std::errc() || end != rest.data() + length) return std::nullopt;
    }
    rest.remove_prefix(length);
    return value;
}

/// Takes a string of plain characters off the front.
std::optional<std::string_view> take_string(std::string_view& rest) {
    if (!rest.starts_with('"')) return std::nullopt;
    for (std::size_t i = 1; i < rest.size(); ++i) {
        const char c = rest[i];
        if (c == '"') {
            const auto inside = rest.substr(1, i - 1);
            rest.remove_prefix(i + 1);
            return inside;
        }
        if (c == '\\' || c < ' ' || c > '~') return std::nullopt;
    }
    return std::nullopt;
}

void take_blanks(std::string_view& rest) {
    const auto blank = [](char c) { return c == ' ' || c == '\t' || c == '\r' || c == '\n'; };
    while (!rest.empty() && blank(rest.front()))
        rest.remove_prefix(1);
}

/// Takes this character off the front, and the blanks around it.
bool take(std::string_view& rest, char wanted) {
    take_blanks(rest);
    if (!rest.starts_with(wanted)) return false;
    rest.remove_prefix(1);
    take_blanks(rest);
    return true;
}

}  // namespace

bool FlatNumbers::read(std::string_view text) {
    count_ = 0;
    if (!take(text, '{')) return false;
    do {
        const auto key = take_string(text);
        if (!key || !take(text, ':')) return false;
        const auto value = take_number(text);
        if (!value || !add(*key, *value)) return false;
    } while (take(text, ','));
    return take(text, '}') && text.empty();
}

bool FlatNumbers::add(std::string_view key, double value) {
    if (count_ == most_members || find(key)) return false;
    members_[count_++] = {key, value};
    return true;
}

std::optional<double> FlatNumbers::find(std::string_view key) const {
    for (std::size_t i = 0; i < count_; ++i)
        if (members_[i].key == key) return members_[i].value;
    return std::nullopt;
}

Payload::Payload(std::string_view bytes) : bytes_(bytes), too_large_(bytes.size() > most_bytes) {}

Payload::~Payload() = default;

void Payload::parse() {
    if (document_ || too_large_) return;
    // The parser itself does not recurse; what it builds does when it is torn down.
    too_large_ = nests_deeper_than(most_levels, bytes_);
    if (!too_large_) document_ = std::make_unique<const json>(json::parse(bytes_, nullptr, false));
}

const json* Payload::at(std::string_view pointer) {
    parse();
    if (too_large_ || document_->is_discarded()) return nullptr;
    const json* value = document_.get();
    while (value != nullptr && !pointer.empty()) {
        pointer.remove_prefix(1);
        const auto length = std::min(pointer.find('/'), pointer.size());
        value = child(*value, pointer.substr(0, length));
        pointer.remove_prefix(length);
    }
    return value;
}

bool Payload::is_flat() {
    if (!is_flat_) is_flat_ = flat_.read(bytes_);
    return *is_flat_;
}

std::variant<double, NumberFault> Payload::number(std::string_view pointer) {
    if (too_large_) return NumberFault::too_large;
    if (pointer.empty()) {
        if (const auto value = plain_number(bytes_)) return *value;
    } else if (is_flat()) {
        const std::string_view key = pointer.substr(1);
        if (std::none_of(key.begin(), key.end(), [](char c) { return c == '/' || c == '~'; })) {
            if (const auto value = flat_.find(key)) return *value;
            return NumberFault::missing;
        }
    }
    const json* value = at(pointer);
    if (too_large_) return NumberFault::too_large;
    if (value == nullptr) return document_->is_discarded() ? NumberFault::not_a_number : NumberFault::missing;
    if (value->is_number()) return value->get<double>();
    if (value->is_string()) {
        if (const auto inside = plain_number(value->get_ref<const std::string&>())) return *inside;
    }
    return NumberFault::not_a_number;
}

std::optional<std::string> Payload::text(std::string_view pointer) {
    if (too_large_) return std::nullopt;
    if (pointer.empty()) return std::string(bytes_);
    const json* value = at(pointer);
    if (value == nullptr || value->is_structured() || value->is_null()) return std::nullopt;
    return value->is_string() ? value->get<std::string>() : value->dump();
}

bool is_json_pointer(std::string_view text) {
    if (text.empty()) return true;
    if (text[0] != '/') return false;
    for (std::size_t i = 0; i < text.size(); ++i) {
        if (text[i] == '~' && (i + 1 == text.size() || (text[i + 1] != '0' && text[i + 1] != '1')))
            return false;
    }
    return true;
}

}  // namespace ampmarshal::adapters
