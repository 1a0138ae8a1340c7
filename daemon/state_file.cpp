#include "daemon/state_file.h"

#include <sqlite3.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

#include "adapters/rig_device.h"

namespace ampmarshal::daemon {

namespace {

using std::chrono::floor;
using std::chrono::seconds;

constexpr std::int64_t our_kind = 0x616d7073;  // SQLite's application_id: "amps"
constexpr std::int64_t our_format = 1;         // and user_version: rises when an older program cannot read it

constexpr const char* create = R"(
    CREATE TABLE rig (everything_stopped INTEGER NOT NULL);
    CREATE TABLE load (
        id TEXT PRIMARY KEY,
        wanted INTEGER NOT NULL,
        wanted_by_file INTEGER NOT NULL,  -- what the configuration said then
        held INTEGER NOT NULL,
        lockout TEXT NOT NULL,
        preferred_until_s INTEGER         -- Unix time
    ) WITHOUT ROWID;
    PRAGMA application_id = 1634562163;
    PRAGMA user_version = 1;
)";
static_assert(our_kind == 1634562163 && our_format == 1);

constexpr std::array lockout_words{std::pair{rules::Lockout::none, std::string_view("none")},
                                   std::pair{rules::Lockout::stall, std::string_view("stall")},
                                   std::pair{rules::Lockout::disobedience, std::string_view("disobedience")},
                                   std::pair{rules::Lockout::neutral, std::string_view("neutral")}};

std::string_view word(rules::Lockout lockout) {
    return std::find_if(lockout_words.begin(), lockout_words.end(),
                        [&](const auto& pair) { return pair.first == lockout; })
        ->second;
}

std::optional<rules::Lockout> lockout_of(std::string_view word) {
    for (const auto& [lockout, known] : lockout_words)
        if (known == word) return lockout;
    return std::nullopt;
}

const char* remedy(int code) {
    switch (code & 0xff) {  // without the extended part
        case SQLITE_BUSY:
        case SQLITE_LOCKED: return "another program has it open: give each ampmarshald a file of its own";
        case SQLITE_NOTADB:
        case SQLITE_CORRUPT:
        case SQLITE_ERROR: return "it is damaged, or no state file: move it away, and a new one is made";
        default: return "check that its folder exists, has room and may be written to";
    }
}

std::string fault(const std::string& path, int code, const std::string& what) {
    return "'" + path + "' cannot be used (" + what + "): " + remedy(code);
}

/// One statement. After the first thing that went wrong it does nothing more.
class Query {
  public:
    Query(sqlite3* database, const char* sql)
        : code_(sqlite3_prepare_v2(database, sql, -1, &statement_, nullptr)) {}
    ~Query() { sqlite3_finalize(statement_); }
    Query(const Query&) = delete;
    Query& operator=(const Query&) = delete;

    Query& with(std::int64_t value) {
        if (sound()) code_ = sqlite3_bind_int64(statement_, ++bound_, value);
        return *this;
    }
    Query& with(std::string_view text) {
        if (sound())
            code_ = sqlite3_bind_text(statement_, ++bound_, text.data(), static_cast<int>(text.size()),
                                      SQLITE_TRANSIENT);
        return *this;
    }
    Query& with_nothing() {
        ++bound_;
        return *this;
    }
    /// True while there is a row to look at.
    bool next() {
        if (sound() || code_ == SQLITE_ROW) code_ = sqlite3_step(statement_);
        return code_ == SQLITE_ROW;
    }
    std::int64_t number(int column) const { return sqlite3_column_int64(statement_, column); }
    bool empty(int column) const { return sqlite3_column_type(statement_, column) == SQLITE_NULL; }
    std::string text(int column) const {
        const auto* bytes = sqlite3_column_text(statement_, column);
        return bytes == nullptr ? "" : reinterpret_cast<const char*>(bytes);
    }
    /// It has run to its end.
    bool done() const { return code_ == SQLITE_DONE; }

  private:
    bool sound() const { return code_ == SQLITE_OK; }

    sqlite3_stmt* statement_ = nullptr;
    int code_;
    int bound_ = 0;
};

bool run(sqlite3* database, const char* sql) {
    return sqlite3_exec(database, sql, nullptr, nullptr, nullptr) == SQLITE_OK;
}

std::optional<std::int64_t> number_of(sqlite3* database, const char* sql) {
    Query query(database, sql);
    return query.next() ? std::optional(query.number(0)) : std::nullopt;
}

/// Nobody else may write it as long as we do; and what is in it is no code of ours.
bool take(sqlite3* database) {
    return run(database,
               "PRAGMA locking_mode = EXCLUSIVE; PRAGMA synchronous = FULL; PRAGMA trusted_schema = OFF;"
               "BEGIN EXCLUSIVE; COMMIT");
}

std::string fault(const std::string& path, sqlite3* database) {
    return fault(path, sqlite3_errcode(database), sqlite3_errmsg(database));
}

/// Empty if it is ours, or was made ours.
std::string kind_fault(const std::string& path, sqlite3* database) {
    const auto tables = number_of(database, "SELECT count(*) FROM sqlite_schema");
    const auto kind = number_of(database, "PRAGMA application_id");
    const auto format = number_of(database, "PRAGMA user_version");
    if (!tables || !kind || !format) return fault(path, database);
    if (*tables == 0 && *kind == 0)
        return run(database, (std::string("BEGIN;") + create + "COMMIT").c_str()) ? ""
                                                                                  : fault(path, database);
    if (*kind != our_kind) return fault(path, SQLITE_NOTADB, "it is a database of another program");
    if (*format > our_format)
        return "'" + path +
               "' cannot be used (it was written by a newer ampmarshald): name another file, or " +
               "install the newer one again";
    Query check(database, "PRAGMA quick_check(1)");
    if (!check.next() || check.text(0) != "ok") return fault(path, SQLITE_CORRUPT, "it is inconsistent");
    return {};
}

std::optional<rules::Instant> instant_of(std::int64_t wall_s, Clocks clocks) {
    const std::int64_t now_s = floor<seconds>(clocks.wall.time_since_epoch()).count();
    if (wall_s <= now_s) return std::nullopt;
    const std::int64_t longest_s = seconds(adapters::longest_preference).count();
    const bool too_long = wall_s > now_s + longest_s;
    return clocks.now + seconds(too_long ? longest_s : wall_s - now_s);
}

std::int64_t wall_s_of(rules::Instant instant, Clocks clocks) {
    return floor<seconds>(clocks.wall.time_since_epoch() + (instant - clocks.now)).count();
}

}  // namespace

void StateFile::Closer::operator()(sqlite3* database) const {
    sqlite3_close(database);
}

std::variant<StateFile, std::string> StateFile::open(const std::string& path) {
    sqlite3* opened = nullptr;
    const int code = sqlite3_open_v2(
        path.c_str(), &opened, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX, nullptr);
    Database database(opened);
    if (code != SQLITE_OK) return fault(path, code, sqlite3_errstr(code));
    if (!take(database.get())) return fault(path, database.get());
    if (std::string wrong = kind_fault(path, database.get()); !wrong.empty()) return wrong;
    return StateFile(std::move(database), path);
}

std::variant<StateFile::Found, std::string> StateFile::read(const rules::Rig& rig, Clocks clocks) const {
    Found found{blank_memory(rig), {}};
    Query of_rig(database_.get(), "SELECT everything_stopped FROM rig");
    while (of_rig.next())
        found.memory.everything_stopped = of_rig.number(0) != 0;
    Query of_loads(
        database_.get(),
        "SELECT id, wanted, wanted_by_file, held, lockout, preferred_until_s FROM load ORDER BY id");
    while (of_loads.next()) {
        const auto load = std::find_if(rig.loads.begin(), rig.loads.end(), [&](const rules::Load& it) {
            return it.controlled() && it.id == of_loads.text(0);
        });
        if (load == rig.loads.end()) {
            found.forgotten.push_back(of_loads.text(0));
            continue;
        }
        LoadMemory& memory = found.memory.loads[static_cast<std::size_t>(load - rig.loads.begin())];
        if ((of_loads.number(2) != 0) == load->wanted_at_start) memory.wanted = of_loads.number(1) != 0;
        memory.held = of_loads.number(3) != 0;
        const auto lockout = lockout_of(of_loads.text(4));
        if (!lockout) return fault(path_, SQLITE_CORRUPT, "it tells of no lockout that there is");
        memory.lockout = *lockout;
        if (!of_loads.empty(5)) memory.preferred_until = instant_of(of_loads.number(5), clocks);
    }
    if (!of_rig.done() || !of_loads.done()) return fault(path_, database_.get());
    return found;
}

std::string StateFile::write(const Memory& memory, const rules::Rig& rig, Clocks clocks) {
    sqlite3* const database = database_.get();
    const Memory blank = blank_memory(rig);
    const auto write_load = [&](rules::LoadIndex i) {
        const LoadMemory& load = memory.loads[i];
        Query row(database, "INSERT INTO load VALUES (?, ?, ?, ?, ?, ?)");
        row.with(rig.loads[i].id).with(load.wanted).with(rig.loads[i].wanted_at_start).with(load.held);
        row.with(word(load.lockout));
        load.preferred_until ? row.with(wall_s_of(*load.preferred_until, clocks)) : row.with_nothing();
        row.next();
        return row.done();
    };
    const auto write_all = [&] {
        if (!run(database, "BEGIN; DELETE FROM rig; DELETE FROM load")) return false;
        Query of_rig(database, "INSERT INTO rig VALUES (?)");
        of_rig.with(memory.everything_stopped).next();
        if (!of_rig.done()) return false;
        for (rules::LoadIndex i = 0; i < memory.loads.size(); ++i)
            if (memory.loads[i] != blank.loads[i] && !write_load(i)) return false;
        return run(database, "COMMIT");
    };
    if (write_all()) return {};
    std::string wrong = fault(path_, database);
    run(database, "ROLLBACK");
    return wrong;
}

}  // namespace ampmarshal::daemon
