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
constexpr std::int64_t our_format = 2;         // and user_version: rises when an older program cannot read it

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
)";

/// What format 1 did not have.
constexpr const char* create_lessons = R"(
    CREATE TABLE stage (
        load TEXT NOT NULL,
        stage INTEGER NOT NULL,           -- 0 is the first
        stages INTEGER NOT NULL,          -- so many, and such figures, the configuration said then
        name TEXT NOT NULL,
        start_a REAL NOT NULL,
        start_window_us INTEGER NOT NULL,
        running_a REAL NOT NULL,
        latest_after_us INTEGER NOT NULL,
        seen INTEGER NOT NULL,
        highest_a REAL NOT NULL,
        PRIMARY KEY (load, stage)
    ) WITHOUT ROWID;
    CREATE TABLE seen_start (
        load TEXT NOT NULL,
        stage INTEGER NOT NULL,
        number INTEGER NOT NULL,          -- 0 is the oldest
        peak_a REAL NOT NULL,
        running_a REAL NOT NULL,
        lasted_us INTEGER NOT NULL,
        period_us INTEGER NOT NULL,
        saw_peak INTEGER NOT NULL,
        line_share REAL,
        source TEXT,
        PRIMARY KEY (load, stage, number)
    ) WITHOUT ROWID;
    CREATE TABLE past (
        load TEXT NOT NULL,
        stage INTEGER NOT NULL,
        figure TEXT NOT NULL,
        median REAL NOT NULL,
        scatter REAL NOT NULL,
        departed INTEGER NOT NULL,
        PRIMARY KEY (load, stage, figure)
    ) WITHOUT ROWID;
    PRAGMA user_version = 2;
)";
static_assert(our_kind == 1634562163 && our_format == 2);

constexpr std::array lockout_words{std::pair{rules::Lockout::none, std::string_view("none")},
                                   std::pair{rules::Lockout::stall, std::string_view("stall")},
                                   std::pair{rules::Lockout::disobedience, std::string_view("disobedience")},
                                   std::pair{rules::Lockout::neutral, std::string_view("neutral")}};

constexpr std::string_view figure_words[] = {"peak", "duration", "running"};
static_assert(std::size(figure_words) == std::size(rules::all_figures));

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

/// One statement. After the first thing that went wrong it does nothing more. What that was, the database
/// tells only until another statement has ended: so there is one at a time where one may fail.
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
    Query& with_real(double value) {
        if (sound()) code_ = sqlite3_bind_double(statement_, ++bound_, value);
        return *this;
    }
    Query& with_nothing() {
        if (sound()) code_ = sqlite3_bind_null(statement_, ++bound_);
        return *this;
    }
    /// To be run once more, with other values.
    Query& again() {
        if (!failed()) code_ = sqlite3_reset(statement_);
        bound_ = 0;
        return *this;
    }
    /// True while there is a row to look at.
    bool next() {
        if (sound() || code_ == SQLITE_ROW) code_ = sqlite3_step(statement_);
        return code_ == SQLITE_ROW;
    }
    std::int64_t number(int column) const { return sqlite3_column_int64(statement_, column); }
    double real(int column) const { return sqlite3_column_double(statement_, column); }
    bool empty(int column) const { return sqlite3_column_type(statement_, column) == SQLITE_NULL; }
    std::string text(int column) const {
        const auto* bytes = sqlite3_column_text(statement_, column);
        return bytes == nullptr ? "" : reinterpret_cast<const char*>(bytes);
    }
    /// It has run to its end.
    bool done() const { return code_ == SQLITE_DONE; }
    bool failed() const { return !sound() && !done() && code_ != SQLITE_ROW; }
    /// Runs a statement that gives no rows. True if it went well.
    bool put() { return !next() && done(); }

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
    const auto make = [&](const std::string& tables) {
        return run(database, ("BEGIN;" + tables + "COMMIT").c_str()) ? "" : fault(path, database);
    };
    if (*tables == 0 && *kind == 0) return make(std::string(create) + create_lessons);
    if (*kind != our_kind) return fault(path, SQLITE_NOTADB, "it is a database of another program");
    if (*format > our_format)
        return "'" + path +
               "' cannot be used (it was written by a newer ampmarshald): name another file, or " +
               "install the newer one again";
    Query check(database, "PRAGMA quick_check(1)");
    if (!check.next() || check.text(0) != "ok") return fault(path, SQLITE_CORRUPT, "it is inconsistent");
    return *format < our_format ? make(create_lessons) : "";
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

bool read_rig(sqlite3* database, Memory& memory) {
    Query query(database, "SELECT everything_stopped FROM rig");
    while (query.next())
        memory.everything_stopped = query.number(0) != 0;
    return query.done();
}

/// What is wrong with the file, or an empty string.
std::string read_memory(sqlite3* database, const std::string& path, const rules::Rig& rig, Clocks clocks,
                        StateFile::Found& found) {
    if (!read_rig(database, found.memory)) return fault(path, database);
    Query of_loads(
        database,
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
        if (!lockout) return fault(path, SQLITE_CORRUPT, "it tells of no lockout that there is");
        memory.lockout = *lockout;
        if (!of_loads.empty(5)) memory.preferred_until = instant_of(of_loads.number(5), clocks);
    }
    return of_loads.done() ? "" : fault(path, database);
}

using Taught = rules::StageProfile::Memory;

/// More starts than are ever remembered are counted and not taken, so that it shows.
bool read_starts(sqlite3* database, const rules::Rig& rig, std::string_view load, std::int64_t stage,
                 Taught& taught) {
    Query query(database,
                "SELECT peak_a, running_a, lasted_us, period_us, saw_peak, line_share, source "
                "FROM seen_start WHERE load = ? AND stage = ? ORDER BY number");
    query.with(load).with(stage);
    for (; query.next(); ++taught.count) {
        if (taught.count >= taught.last.size()) continue;
        rules::SeenStart& start = taught.last[taught.count];
        start = {.peak_a = query.real(0),
                 .running_a = query.real(1),
                 .lasted = rules::Duration(query.number(2)),
                 .period = rules::Duration(query.number(3)),
                 .saw_peak = query.number(4) != 0};
        if (!query.empty(5)) start.line_share = query.real(5);
        const auto source = std::find_if(rig.sources.begin(), rig.sources.end(),
                                         [&](const rules::Source& it) { return it.id == query.text(6); });
        if (source != rig.sources.end())
            start.source = static_cast<rules::SourceIndex>(source - rig.sources.begin());
    }
    return query.done();
}

bool read_past(sqlite3* database, std::string_view load, std::int64_t stage, Taught& taught) {
    Query query(database,
                "SELECT median, scatter, departed FROM past WHERE load = ? AND stage = ? AND figure = ?");
    for (std::size_t f = 0; f < std::size(figure_words); ++f) {
        query.again().with(load).with(stage).with(figure_words[f]);
        if (!query.next()) continue;
        taught.past[f] = {query.real(0), query.real(1)};
        taught.departed[f] = query.number(2) != 0;
    }
    return !query.failed();
}

/// The same.
std::string read_lessons(sqlite3* database, const std::string& path, const rules::Rig& rig,
                         StateFile::Found& found) {
    Query query(database,
                "SELECT load, stage, stages, name, start_a, start_window_us, running_a, latest_after_us, "
                "seen, highest_a FROM stage ORDER BY load, stage");
    while (query.next()) {
        const std::string id = query.text(0);
        const auto load = std::find_if(rig.loads.begin(), rig.loads.end(),
                                       [&](const rules::Load& it) { return it.id == id; });
        if (load == rig.loads.end()) {
            if (std::find(found.forgotten.begin(), found.forgotten.end(), id) == found.forgotten.end())
                found.forgotten.push_back(id);
            continue;
        }
        const rules::Stage then{.name = query.text(3),
                                .start_a = query.real(4),
                                .start_window = rules::Duration(query.number(5)),
                                .running_a = query.real(6),
                                .latest_after = rules::Duration(query.number(7))};
        const auto stage = static_cast<std::size_t>(query.number(1));
        const auto stages = static_cast<std::size_t>(query.number(2));
        if (stages != load->stages.size() || stage >= stages || load->stages[stage] != then) {
            found.changed.push_back(load->name + " (" + then.name + ")");
            continue;
        }
        Taught& taught = found.lessons[static_cast<std::size_t>(load - rig.loads.begin())][stage];
        taught.seen = static_cast<std::uint64_t>(std::max<std::int64_t>(0, query.number(8)));
        taught.highest_a = query.real(9);
        if (!read_starts(database, rig, id, query.number(1), taught) ||
            !read_past(database, id, query.number(1), taught))
            return fault(path, database);
    }
    return query.done() ? "" : fault(path, database);
}

std::int64_t whole(std::uint64_t number) {
    return static_cast<std::int64_t>(number);
}

bool write_figures(sqlite3* database, const rules::Load& load, std::size_t i, const Taught& taught) {
    const rules::Stage& stage = load.stages[i];
    Query row(database, "INSERT INTO stage VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
    row.with(load.id).with(whole(i)).with(whole(load.stages.size())).with(stage.name);
    row.with_real(stage.start_a).with(stage.start_window.count());
    row.with_real(stage.running_a).with(stage.latest_after.count());
    return row.with(whole(taught.seen)).with_real(taught.highest_a).put();
}

bool write_starts(sqlite3* database, const rules::Rig& rig, std::string_view load, std::size_t stage,
                  const Taught& taught) {
    Query row(database, "INSERT INTO seen_start VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
    for (std::size_t i = 0; i < taught.count; ++i) {
        const rules::SeenStart& start = taught.last[i];
        row.again().with(load).with(whole(stage)).with(whole(i));
        row.with_real(start.peak_a).with_real(start.running_a);
        row.with(start.lasted.count()).with(start.period.count()).with(start.saw_peak);
        start.line_share ? row.with_real(*start.line_share) : row.with_nothing();
        start.source ? row.with(rig.sources[*start.source].id) : row.with_nothing();
        if (!row.put()) return false;
    }
    return true;
}

bool write_past(sqlite3* database, std::string_view load, std::size_t stage, const Taught& taught) {
    Query row(database, "INSERT INTO past VALUES (?, ?, ?, ?, ?, ?)");
    for (std::size_t f = 0; f < std::size(figure_words); ++f) {
        const auto& past = taught.past[f];
        if (!past) continue;
        row.again().with(load).with(whole(stage)).with(figure_words[f]);
        if (!row.with_real(past->median).with_real(past->scatter).with(taught.departed[f]).put())
            return false;
    }
    return true;
}

bool write_rig(sqlite3* database, const Memory& memory) {
    Query row(database, "INSERT INTO rig VALUES (?)");
    return row.with(memory.everything_stopped).put();
}

/// All of it, or nothing. What went wrong, or an empty string.
template <class Write>
std::string write_whole(sqlite3* database, const std::string& path, Write write) {
    if (run(database, "BEGIN") && write() && run(database, "COMMIT")) return {};
    std::string wrong = fault(path, database);
    run(database, "ROLLBACK");
    return wrong;
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
    Found found{blank_memory(rig), blank_lessons(rig), {}, {}};
    std::string wrong = read_memory(database_.get(), path_, rig, clocks, found);
    if (wrong.empty()) wrong = read_lessons(database_.get(), path_, rig, found);
    if (!wrong.empty()) return wrong;
    return found;
}

std::string StateFile::write(const Memory& memory, const rules::Rig& rig, Clocks clocks) {
    sqlite3* const database = database_.get();
    const Memory blank = blank_memory(rig);
    return write_whole(database, path_, [&] {
        if (!run(database, "DELETE FROM rig; DELETE FROM load")) return false;
        if (!write_rig(database, memory)) return false;
        Query row(database, "INSERT INTO load VALUES (?, ?, ?, ?, ?, ?)");
        for (rules::LoadIndex i = 0; i < memory.loads.size(); ++i) {
            const LoadMemory& load = memory.loads[i];
            if (load == blank.loads[i]) continue;
            row.again()
                .with(rig.loads[i].id)
                .with(load.wanted)
                .with(rig.loads[i].wanted_at_start)
                .with(load.held);
            row.with(word(load.lockout));
            load.preferred_until ? row.with(wall_s_of(*load.preferred_until, clocks)) : row.with_nothing();
            if (!row.put()) return false;
        }
        return true;
    });
}

std::string StateFile::write(const Lessons& lessons, const rules::Rig& rig) {
    sqlite3* const database = database_.get();
    return write_whole(database, path_, [&] {
        if (!run(database, "DELETE FROM stage; DELETE FROM seen_start; DELETE FROM past")) return false;
        for (rules::LoadIndex i = 0; i < lessons.size(); ++i) {
            const rules::Load& load = rig.loads[i];
            for (std::size_t stage = 0; stage < lessons[i].size(); ++stage) {
                const Taught& taught = lessons[i][stage];
                if (taught.count > 0 && !(write_figures(database, load, stage, taught) &&
                                          write_starts(database, rig, load.id, stage, taught) &&
                                          write_past(database, load.id, stage, taught)))
                    return false;
            }
        }
        return true;
    });
}

}  // namespace ampmarshal::daemon
