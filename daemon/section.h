// One object of a configuration while it is being read. It hands out the members it is asked for, checked for
// type and range, and writes down every mistake with its place, what is wrong and what would be right, so
// that a person can put all of them right at once. Whatever is mistaken reads as a harmless stand-in: ask
// `sound()` before comparing two members with each other. When the section goes, members nobody asked for are
// reported as unknown, with the name that was probably meant.
//
// A section refers to the document and to the list of mistakes; both must outlive it.
#pragma once

#include <functional>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace ampmarshal::daemon {

struct Mistake {
    std::string pointer;  ///< JSON Pointer (RFC 6901) to the place; empty for the file as a whole
    std::string wrong;
    std::string right;  ///< may be empty where `wrong` says it all

    friend bool operator==(const Mistake&, const Mistake&) = default;
};
using Mistakes = std::vector<Mistake>;

/// "/loads/0/rank: is used twice; give each load a rank of its own"
std::string sentence(const Mistake& mistake);

/// As the words of a mistake quote what stands in the file.
std::string in_quotes(std::string_view text);

/// Both ends are allowed values.
struct Range {
    double least;
    double most;
};

class Section {
  public:
    /// Reads `value` if it is an object; anything else is a mistake.
    using Reader = std::function<void(Section&)>;
    static void read(const nlohmann::json& value, std::string pointer, Mistakes& mistakes,
                     const Reader& reader);

    ~Section() { report_unknown(); }
    Section(const Section&) = delete;
    Section& operator=(const Section&) = delete;

    // A member without a fallback must be there.
    double number(std::string_view key, Range range, std::optional<double> fallback = {});
    int whole(std::string_view key, Range range, std::optional<int> fallback = {});
    bool flag(std::string_view key, bool fallback);
    std::string text(std::string_view key, const std::optional<std::string>& fallback = {});
    std::optional<std::string> optional_text(std::string_view key);
    /// A text without a fault; `fault` says what is wrong with one and what would be right.
    std::string id(std::string_view key, std::string (*fault)(std::string_view));
    std::string json_pointer(std::string_view key);
    /// An MQTT topic without wildcards.
    std::string topic(std::string_view key);
    /// Position of the member's text in `words`; nothing if it is mistaken.
    std::optional<std::size_t> one_of(std::string_view key, const std::vector<std::string>& words,
                                      std::optional<std::size_t> fallback = {});

    bool has(std::string_view key);
    /// What an absent object means: it is mistaken, there is nothing to read, or it reads like an empty one.
    enum class Absent { mistaken, skipped, empty };
    void object(std::string_view key, Absent absent, const Reader& reader);
    /// Reads each object of the member list.
    void each(std::string_view key, std::size_t least, std::size_t most, const Reader& reader);
    std::vector<std::string> texts(std::string_view key,
                                   const std::optional<std::vector<std::string>>& fallback = {});
    /// Which other members belong here depends on one that is mistaken: report none as unknown.
    void ignore_the_rest() { known_ = keys(); }
    /// The names of all members, where the user may choose them.
    std::vector<std::string> keys() const;

    /// Nothing in this section, or below it, was mistaken so far.
    bool sound() const;
    /// Notes a mistake at this section's member `key`, or at the section itself if it is empty.
    void mistake(std::string_view key, std::string wrong, std::string right);
    std::string pointer_to(std::string_view key) const;

  private:
    Section(const nlohmann::json& object, std::string pointer, Mistakes& mistakes)
        : value_(object),
          pointer_(std::move(pointer)),
          mistakes_(mistakes),
          mistakes_before_(mistakes.size()) {}
    const nlohmann::json* find(std::string_view key);
    const nlohmann::json* require(std::string_view key, std::string_view what, bool has_fallback);
    void report_unknown();

    const nlohmann::json& value_;
    std::string pointer_;
    Mistakes& mistakes_;
    std::size_t mistakes_before_;
    std::vector<std::string> known_;
};

}  // namespace ampmarshal::daemon
