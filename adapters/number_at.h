// Where a value is found in what a device publishes, and how it is taken out of a payload that nobody vouches
// for. A device either sends a plain number, or JSON with the number somewhere inside, named by a JSON
// Pointer (RFC 6901). Nothing here throws, allocates without bound, or depends on the locale.
//
// A Payload is read at most once, however many numbers are asked of it. It only looks at the bytes it was
// given and must not outlive them.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

namespace ampmarshal::adapters {

/// The members of a flat JSON object of plain numbers, {"current":12.3,"voltage":118.4}, which is what nearly
/// every meter sends, ten times a second: read in one pass, without a document. What is anything more than
/// that, or no JSON, is for the parser.
class FlatNumbers {
  public:
    /// False if this is no such object; nothing may be asked then.
    bool read(std::string_view bytes);
    std::optional<double> find(std::string_view key) const;

  private:
    static constexpr std::size_t most_members = 8;

    bool add(std::string_view key, double value);
    /// Nearly always another one for another key: most keys need not be compared.
    static std::size_t mark(std::string_view key);

    struct Member {
        std::string_view key;
        std::size_t mark;
        double value;
    };
    std::array<Member, most_members> members_{};
    std::size_t count_ = 0;
};

/// A number in the messages of one topic. An empty pointer means that the payload as a whole is the number.
struct NumberAt {
    std::string topic;
    std::string pointer{};  ///< see is_json_pointer
    double scale = 1;  ///< the number times this is in amperes, volts, watts or hertz; -1 turns a clamp round

    friend bool operator==(const NumberAt&, const NumberAt&) = default;
};

enum class NumberFault : std::uint8_t {
    too_large,     ///< the payload is longer, or nested deeper, than any meter needs
    missing,       ///< it is JSON, and nothing is at the pointer
    not_a_number,  ///< not JSON, or another type, or not finite
};

class Payload {
  public:
    static constexpr std::size_t most_bytes = 16384;
    static constexpr int most_levels = 16;

    explicit Payload(std::string_view bytes);
    ~Payload();
    Payload(const Payload&) = delete;
    Payload& operator=(const Payload&) = delete;

    /// The number at the pointer. A number inside a JSON string counts, since many devices send "12.3" so.
    std::variant<double, NumberFault> number(std::string_view pointer);

    /// What is at the pointer, as text: a string without its quotes, a number or a boolean as it is written
    /// in JSON. An empty pointer gives the payload as it came.
    std::optional<std::string> text(std::string_view pointer);

  private:
    /// Nothing at the pointer, no JSON, or too large: nullptr.
    const nlohmann::json* at(std::string_view pointer);
    void parse();
    bool is_flat();

    std::string_view bytes_;
    bool too_large_;
    FlatNumbers flat_;
    std::optional<bool> is_flat_;  ///< nothing until somebody asks
    std::unique_ptr<const nlohmann::json>
        document_;  ///< null until somebody asks; discarded if it is no JSON
};

/// RFC 6901: empty, or '/' before every token, and '~' only as "~0" or "~1".
bool is_json_pointer(std::string_view text);

}  // namespace ampmarshal::adapters
