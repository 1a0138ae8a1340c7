#include "adapters/number_at.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

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

/// What a name may hold to be taken as it stands: nothing that JSON or a JSON Pointer escapes.
constexpr auto plain_in_names = [] {
    std::array<bool, 256> plain{};
    for (unsigned char c = ' '; c <= '}'; ++c)
        plain[c] = c != '"' && c != '\\' && c != '/';
    return plain;
}();

/// Takes the parts of a flat JSON object off the front of a text, and the blanks before each. What is more
/// than that is for the parser.
class FlatText {
  public:
    explicit FlatText(std::string_view text) : at_(text.data()), end_(text.data() + text.size()) {}

    bool take(char wanted) {
        skip_blanks();
        if (at_ == end_ || *at_ != wanted) return false;
        ++at_;
        return true;
    }

    /// To the letter.
    bool take(std::string_view wanted) {
        if (!rest().starts_with(wanted)) return false;
        at_ += wanted.size();
        return true;
    }

    bool done() {
        skip_blanks();
        return at_ == end_;
    }

    std::string_view rest() const { return {at_, static_cast<std::size_t>(end_ - at_)}; }

    std::optional<std::string_view> take_name() {
        if (!take('"')) return std::nullopt;
        const char* from = at_;
        while (at_ != end_ && plain_in_names[static_cast<unsigned char>(*at_)])
            ++at_;
        if (at_ == end_ || *at_ != '"') return std::nullopt;
        return std::string_view(from, static_cast<std::size_t>(at_++ - from));
    }

    /// Digits, perhaps with a sign and a fraction.
    std::optional<double> take_number() {
        skip_blanks();
        const char* from = at_;
        const bool negative = at_ != end_ && *at_ == '-';
        if (negative) ++at_;
        std::uint64_t digits = 0;
        const bool zero_first = at_ != end_ && *at_ == '0';
        const std::size_t whole = take_digits(digits);
        if (whole == 0 || (whole > 1 && zero_first)) return std::nullopt;
        std::size_t fraction = 0;
        if (at_ != end_ && *at_ == '.') {
            ++at_;
            fraction = take_digits(digits);
            if (fraction == 0) return std::nullopt;
        }
        if (whole + fraction < powers_of_ten.size()) {
            // Both are whole numbers that a double holds exactly, so the division rounds once, as it should.
            const double value = static_cast<double>(digits) / powers_of_ten[fraction];
            return negative ? -value : value;
        }
        double value = 0;
        const auto [end, error] = std::from_chars(from, at_, value);
        if (error != std::errc() || end != at_) return std::nullopt;
        return value;
    }

  private:
    void skip_blanks() {
        while (at_ != end_ && (*at_ == ' ' || *at_ == '\t' || *at_ == '\r' || *at_ == '\n'))
            ++at_;
    }

    std::size_t take_digits(std::uint64_t& digits) {
        const char* from = at_;
        for (; at_ != end_ && *at_ >= '0' && *at_ <= '9'; ++at_)
            digits = 10 * digits + static_cast<std::uint64_t>(*at_ - '0');
        return static_cast<std::size_t>(at_ - from);
    }

    const char* at_;
    const char* end_;
};

}  // namespace

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

std::variant<double, NumberFault> Payload::number(std::string_view pointer) {
    if (too_large_) return NumberFault::too_large;
    if (pointer.empty()) {
        if (const auto value = plain_number(bytes_)) return *value;
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

NumbersAt::NumbersAt(std::vector<std::string> pointers)
    : pointers_(std::move(pointers)), numbers_(pointers_.size(), NumberFault::missing) {}

void NumbersAt::read(std::string_view bytes) {
    flat_ = bytes.size() <= Payload::most_bytes && ((flat_ && read_alike(bytes)) || read_flat(bytes));
    if (flat_) return;
    Payload payload(bytes);
    for (std::size_t i = 0; i < pointers_.size(); ++i)
        numbers_[i] = payload.number(pointers_[i]);
}

bool NumbersAt::read_alike(std::string_view bytes) {
    FlatText text(bytes);
    std::string_view between = between_;
    for (const Member& member : members_) {
        if (!text.take(between.substr(0, member.text))) return false;
        between.remove_prefix(member.text);
        const auto number = text.take_number();
        if (!number) return false;
        if (member.pointer) numbers_[*member.pointer] = *number;
    }
    return text.rest() == between;
}

bool NumbersAt::read_flat(std::string_view bytes) {
    for (std::size_t i = 0; i < pointers_.size(); ++i)
        numbers_[i] = pointers_[i].empty() ? NumberFault::not_a_number : NumberFault::missing;
    between_.clear();
    members_.clear();
    FlatText text(bytes);
    std::string_view before = text.rest();
    if (!text.take('{')) return false;
    std::array<std::string_view, most_members> names;
    do {
        const auto known = names.begin() + static_cast<std::ptrdiff_t>(members_.size());
        const auto name = text.take_name();
        if (!name || !text.take(':')) return false;
        if (known == names.end() || std::find(names.begin(), known, *name) != known) return false;
        *known = *name;
        before.remove_suffix(text.rest().size());
        const auto number = text.take_number();
        if (!number) return false;
        between_ += before;
        members_.push_back({before.size(), pointer_to(*name)});
        if (members_.back().pointer) numbers_[*members_.back().pointer] = *number;
        before = text.rest();
    } while (text.take(','));
    between_ += before;
    return text.take('}') && text.done();
}

/// A flat object's names hold nothing that a pointer escapes, and its members nothing further to point into.
std::optional<std::size_t> NumbersAt::pointer_to(std::string_view name) const {
    const auto found = std::find_if(pointers_.begin(), pointers_.end(), [&](std::string_view pointer) {
        return !pointer.empty() && pointer.substr(1) == name;
    });
    if (found == pointers_.end()) return std::nullopt;
    return static_cast<std::size_t>(found - pointers_.begin());
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
