// The file in which a Memory and the Lessons outlive the program: an SQLite database, so that a write is
// there as a whole or not at all, whenever the power fails. Loads and sources are known by their ids. A file
// that cannot be used harms nobody: what is wrong is returned, with the remedy, and the program goes on
// without.
//
// A write waits for the disk, and each one wears a memory card. So what people have set and lockouts, which
// are rare and must not be lost, are written by themselves, at once; what starts have taught, which is much
// and comes all day, is written apart from that, every few minutes at most (lessons_kept_every in steward.h):
// under 300 writes of some 10 kB a day.
//
// What starts have taught is good for the figures that were configured when they were seen. They are kept
// with it, and where the configuration has others now, or has given the load more or fewer stages, it counts
// no more.
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
        Lessons lessons;  ///< as they were kept, possible or not: see recall()
        std::vector<std::string>
            forgotten;  ///< ids of which something was kept, and which are no loads any more
        std::vector<std::string>
            changed;  ///< stages with other figures than then: their lessons are left out
    };
    /// What was kept. A demand counts only while the configuration says the same of it as it did then.
    std::variant<Found, std::string> read(const rules::Rig& rig, Clocks clocks) const;

    /// Keeps this in the place of what was kept before. What went wrong, or an empty string.
    std::string write(const Memory& memory, const rules::Rig& rig, Clocks clocks);
    std::string write(const Lessons& lessons, const rules::Rig& rig);

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
