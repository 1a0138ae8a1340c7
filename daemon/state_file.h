// The file in which a Memory outlives the program: an SQLite database, so that a write is there as a whole or
// not at all, whenever the power fails. Loads are known by their ids. A file that cannot be used harms
// nobody: what is wrong is returned, with the remedy, and the program goes on without. A write waits for the
// disk; there is one only when a person has set something or a load was locked out.
//
// An instant means nothing after a restart, so the end of a preference is kept by the wall clock. A board
// whose clock has no battery may start years in the past: no preference lasts longer than one that can be
// asked for.
#pragma once

#include <chrono>
#include <memory>
#include <string>
#include <variant>
#include <vector>

#include "daemon/memory.h"

struct sqlite3;

namespace ampmarshal::daemon {

/// The same moment on both clocks.
struct Clocks {
    rules::Instant now;
    std::chrono::system_clock::time_point wall;
};

class StateFile {
  public:
    /// Makes the file if it is not there. The text says what is wrong with it.
    static std::variant<StateFile, std::string> open(const std::string& path);

    struct Found {
        Memory memory;
        std::vector<std::string>
            forgotten;  ///< ids of which something was kept, and which are no loads any more
    };
    /// What was kept. A demand counts only while the configuration says the same of it as it did then.
    std::variant<Found, std::string> read(const rules::Rig& rig, Clocks clocks) const;

    /// Keeps this in the place of what was kept before. What went wrong, or an empty string.
    std::string write(const Memory& memory, const rules::Rig& rig, Clocks clocks);

  private:
    struct Closer {
        void operator()(sqlite3* database) const;
    };
    using Database = std::unique_ptr<sqlite3, Closer>;

    StateFile(Database database, std::string path) : database_(std::move(database)), path_(std::move(path)) {}

    Database database_;
    std::string path_;
};

}  // namespace ampmarshal::daemon
