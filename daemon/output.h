// What a subcommand of ampmarshal leaves behind: text on standard output, and files that appear whole or not
// at all. Complaints go to standard error under the subcommand's name.
#pragma once

#include <string>

namespace ampmarshal::daemon {

/// Whether headings stand out by control codes. They never carry a meaning of their own.
enum class Emphasis { none, terminal };

class Output {
  public:
    /// `command` as a person typed it: "ampmarshal plan".
    explicit Output(std::string command) : command_(std::move(command)) {}

    void complain(const std::string& sentence) const;
    /// False if it cannot be written, which has been told.
    bool write_whole(const std::string& path, const std::string& content) const;
    bool print(const std::string& text) const;

  private:
    std::string command_;
};

/// For standard output: none unless it is a terminal, and NO_COLOR is not set (https://no-color.org).
Emphasis emphasis();

std::string strong(const std::string& text, Emphasis emphasis);
std::string faint(const std::string& text, Emphasis emphasis);

/// Wrapped to a terminal's usual width, the later lines under the text of the first.
std::string wrapped(const std::string& lead, const std::string& text);

/// As text on a page.
std::string escaped(const std::string& text);

}  // namespace ampmarshal::daemon
