// Where a value is found in what a device publishes, and how it is taken out of a payload that nobody vouches
// for. A device either sends a plain number, or JSON with the number somewhere inside, named by a JSON
// Pointer (RFC 6901). Nothing here throws, allocates without bound, or depends on the locale.
//
// A Payload is read at most once, however many numbers are asked of it. It only looks at the bytes it was
// given and must not outlive them.
#pragma once

#include <cstdint>
#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

namespace ampmarshal::adapters {

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

    std::string_view bytes_;
    bool too_large_;
    std::unique_ptr<const nlohmann::json>
        document_;  ///< null until somebody asks; discarded if it is no JSON
};

/// The numbers at some pointers, in one message after the other of a topic. Nearly every meter sends a flat
/// JSON object of plain numbers, {"current":12.3,"voltage":118.4}, ten times a second, and nothing but the
/// digits changes: what stands between them is only compared with the message before. What is anything more
/// than that, or no JSON, is for the parser.
class NumbersAt {
  public:
    /// Each once.
    explicit NumbersAt(std::vector<std::string> pointers);

    void read(std::string_view bytes);

    /// Of the message read last, as Payload::number tells it.
    const std::variant<double, NumberFault>& operator[](std::size_t pointer) const {
        return numbers_[pointer];
    }

  private:
    static constexpr std::size_t most_members = 8;

    struct Member {
        std::size_t text;  ///< length of what stands before its number
        std::optional<std::size_t> pointer;
    };

    bool read_alike(std::string_view bytes);
    bool read_flat(std::string_view bytes);
    std::optional<std::size_t> pointer_to(std::string_view name) const;

    std::vector<std::string> pointers_;
    std::vector<std::variant<double, NumberFault>> numbers_;
    bool flat_ = false;            ///< the message before
    std::string between_;          ///< all of it but the numbers
    std::vector<Member> members_;  ///< in its order
};

/// RFC 6901: empty, or '/' before every token, and '~' only as "~0" or "~1".
bool is_json_pointer(std::string_view text);

}  // namespace ampmarshal::adapters
