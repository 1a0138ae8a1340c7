#include "daemon/output.h"

#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <fstream>

namespace ampmarshal::daemon {

void Output::complain(const std::string& sentence) const {
    std::fprintf(stderr, "%s: %s\n", command_.c_str(), sentence.c_str());
}

bool Output::write_whole(const std::string& path, const std::string& content) const {
    // Beside its place first, so that a full disk or an interruption leaves what was there.
    const std::string draft = path + ".new-" + std::to_string(::getpid());
    std::ofstream file(draft, std::ios::binary);
    file << content;
    file.close();
    if (file && std::rename(draft.c_str(), path.c_str()) == 0) return true;
    std::remove(draft.c_str());
    complain("cannot write '" + path + "'; name a file in a folder you may write to");
    return false;
}

bool Output::print(const std::string& text) const {
    const bool taken = std::fwrite(text.data(), 1, text.size(), stdout) == text.size();
    if (std::fflush(stdout) == 0 && taken) return true;
    complain("cannot write to standard output");
    return false;
}

Emphasis emphasis() {
    // Any value but an empty one asks for plain text.
    const char* no_color = std::getenv("NO_COLOR");
    const bool plain = no_color != nullptr && *no_color != '\0';
    return !plain && ::isatty(STDOUT_FILENO) == 1 ? Emphasis::terminal : Emphasis::none;
}

std::string strong(const std::string& text, Emphasis emphasis) {
    return emphasis == Emphasis::terminal ? "\x1b[1m" + text + "\x1b[0m" : text;
}

std::string faint(const std::string& text, Emphasis emphasis) {
    return emphasis == Emphasis::terminal ? "\x1b[2m" + text + "\x1b[0m" : text;
}

std::string wrapped(const std::string& lead, const std::string& text) {
    constexpr std::size_t width = 79;
    std::string out = "  " + lead;
    const std::string indent(out.size(), ' ');
    std::size_t column = out.size();
    for (std::size_t from = 0; from < text.size();) {
        const std::size_t to = std::min(text.find(' ', from), text.size());
        if (column > indent.size() && column + 1 + to - from > width) {
            out += "\n" + indent;
            column = indent.size();
        } else if (column > indent.size()) {
            out += ' ';
            ++column;
        }
        out += text.substr(from, to - from);
        column += to - from;
        from = to + 1;
    }
    return out + "\n";
}

std::string escaped(const std::string& text) {
    std::string out;
    for (char c : text) {
        switch (c) {
            case '&': out += "&amp;"; break;
            case '<': out += "&lt;"; break;
            case '>': out += "&gt;"; break;
            case '"': out += "&quot;"; break;
            default: out += c;
        }
    }
    return out;
}

}  // namespace ampmarshal::daemon
