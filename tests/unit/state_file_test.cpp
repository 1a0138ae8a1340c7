// The file in which what people have set outlives the program: what comes back of it, and what is said when
// it cannot be used. SQLite itself stands in for other programs and newer versions.
#include "daemon/state_file.h"

#include <sqlite3.h>
#include <sys/resource.h>
#include <unistd.h>

#include <bit>
#include <cmath>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "tests/support/catch.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using daemon::Clocks;
using daemon::Lessons;
using daemon::LoadMemory;
using daemon::Memory;
using daemon::StateFile;
using rules::Instant;
using rules::Lockout;

namespace {

rules::Load load(std::string id, bool wanted = true) {
    rules::Load it{};
    it.id = it.name = std::move(id);
    it.control = rules::Control::switched;
    it.wanted_at_start = wanted;
    return it;
}

rules::Rig rig() {
    rules::Rig it{};
    it.loads = {load("front-ac"), load("heater", false), load("charger"), load("pump")};
    return it;
}

rules::Stage stage(std::string name, double start_a) {
    return {.name = std::move(name),
            .start_a = start_a,
            .start_window = 500ms,
            .running_a = start_a / 3,
            .latest_after = 20s};
}

/// The same loads with figures, and sources for them to start on.
rules::Rig rig_with_stages() {
    rules::Rig it = rig();
    it.loads[0].stages = {stage("fan", 5.1), stage("compressor", 46.3)};
    it.loads[1].stages = {stage("element", 12.5)};
    it.loads[2].stages = {stage("charging", 12)};
    it.loads[3].stages = {stage("motor", 9)};
    it.loads[3].control = rules::Control::observed;
    for (const char* id : {"pedestal", "outlet"})
        it.sources.push_back({.id = id, .name = id, .nominal_v = 120, .feed = {}, .limits = {}});
    return it;
}

/// What so many starts teach, with figures that need every bit of theirs.
rules::StageProfile::Memory taught(const rules::Stage& by, int starts, double growth = 1) {
    rules::StageProfile profile(by);
    for (int i = 0; i < starts; ++i)
        profile.learn({.peak_a = by.start_a * (i < 20 ? 1 : growth) * (1 + i % 7 / 1000.0),
                       .running_a = by.running_a * (1 + i % 3 / 300.0),
                       .lasted = 300ms + i * 1us,
                       .period = 50ms,
                       .saw_peak = i != 25,
                       .line_share = i % 2 == 0 ? std::optional(117.0 / 120 + i / 3000.0) : std::nullopt,
                       .source = i % 5 == 4 ? std::nullopt : std::optional<rules::SourceIndex>(i % 2)});
    return profile.memory();
}

Lessons some_lessons(const rules::Rig& of) {
    Lessons lessons = daemon::blank_lessons(of);
    lessons[0][0] = taught(of.loads[0].stages[0], 3);
    lessons[0][1] = taught(of.loads[0].stages[1], 40, 1.5);
    lessons[3][0] = taught(of.loads[3].stages[0], 1);
    return lessons;
}

std::vector<std::uint64_t> bits(const rules::StageProfile::Memory& memory) {
    std::vector<std::uint64_t> all{memory.seen, memory.count};
    const auto real = [&](double value) { all.push_back(std::bit_cast<std::uint64_t>(value)); };
    const auto whole = [&](auto value) { all.push_back(static_cast<std::uint64_t>(value)); };
    real(memory.highest_a);
    for (const rules::SeenStart& start : memory.last) {
        real(start.peak_a);
        real(start.running_a);
        whole(start.lasted.count());
        whole(start.period.count());
        whole(start.saw_peak);
        real(start.line_share.value_or(-1));
        whole(start.source.value_or(99));
    }
    for (const auto& past : memory.past) {
        real(past ? past->median : -1);
        real(past ? past->scatter : -1);
    }
    for (const bool departed : memory.departed)
        whole(departed);
    return all;
}

constexpr Clocks clocks{Instant(1000s), std::chrono::system_clock::time_point(1'800'000'000s)};

/// The same moment later, and after a restart that has begun the monotonic clock anew.
constexpr Clocks after(std::chrono::seconds passed) {
    return {Instant(5s), clocks.wall + passed};
}

struct Place {
    Place()
        : folder(std::filesystem::temp_directory_path() /
                 ("ampmarshal-state-test-" + std::to_string(getpid()))) {
        std::filesystem::remove_all(folder);
        std::filesystem::create_directory(folder);
    }
    ~Place() { std::filesystem::remove_all(folder); }
    Place(const Place&) = delete;
    Place& operator=(const Place&) = delete;
    std::string file() const { return (folder / "state.sqlite").string(); }

    StateFile open() const {
        auto opened = StateFile::open(file());
        if (const auto* wrong = std::get_if<std::string>(&opened)) UNSCOPED_INFO(*wrong);
        REQUIRE(std::holds_alternative<StateFile>(opened));
        return std::get<StateFile>(std::move(opened));
    }
    std::string wrong() const {
        const auto opened = StateFile::open(file());
        return std::holds_alternative<std::string>(opened) ? std::get<std::string>(opened) : "";
    }
    StateFile::Found found(const rules::Rig& of, Clocks at) const {
        const auto read = open().read(of, at);
        REQUIRE(std::holds_alternative<StateFile::Found>(read));
        return std::get<StateFile::Found>(read);
    }
    void keep(const Lessons& lessons) const { REQUIRE(open().write(lessons, rig_with_stages()).empty()); }
    void keep(const Memory& memory) const { REQUIRE(open().write(memory, rig(), clocks).empty()); }
    /// As another program would.
    void sql(const char* statements) const {
        sqlite3* database = nullptr;
        REQUIRE(sqlite3_open(file().c_str(), &database) == SQLITE_OK);
        CHECK(sqlite3_exec(database, statements, nullptr, nullptr, nullptr) == SQLITE_OK);
        sqlite3_close(database);
    }
    std::string bytes() const {
        std::stringstream all;
        all << std::ifstream(file(), std::ios::binary).rdbuf();
        return all.str();
    }

    std::filesystem::path folder;
};

bool has(const std::string& text, const char* part) {
    return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("a state file that is not there yet is made, and tells nothing") {
    const Place place;
    const auto found = place.found(rig(), clocks);
    CHECK(found.memory == daemon::blank_memory(rig()));
    CHECK(found.forgotten.empty());
    CHECK(found.changed.empty());
    CHECK(std::filesystem::exists(place.file()));
}

TEST_CASE("what was kept last comes back, whole") {
    const Place place;
    Memory memory = daemon::blank_memory(rig());
    memory.everything_stopped = true;
    memory.loads[0] = {.wanted = true, .held = true, .lockout = Lockout::stall};
    memory.loads[1] = {.wanted = true, .lockout = Lockout::disobedience};
    memory.loads[2] = {.wanted = false, .lockout = Lockout::neutral};
    place.keep(memory);
    CHECK(place.found(rig(), clocks).memory == memory);
    place.keep(daemon::blank_memory(rig()));
    CHECK(place.found(rig(), clocks).memory == daemon::blank_memory(rig()));
}

TEST_CASE("a demand that was set counts only while the configuration says the same as then") {
    const Place place;
    Memory memory = daemon::blank_memory(rig());
    memory.loads[0].wanted = false;
    memory.loads[1].wanted = true;
    place.keep(memory);
    rules::Rig changed = rig();
    changed.loads[1].wanted_at_start = true;
    changed.loads[1].id = "heater";
    CHECK_FALSE(place.found(changed, clocks).memory.loads[0].wanted);
    changed.loads[0].wanted_at_start = false;
    changed.loads[1].wanted_at_start = false;
    CHECK_FALSE(place.found(changed, clocks).memory.loads[0].wanted);
    CHECK(place.found(changed, clocks).memory.loads[1].wanted);
}

TEST_CASE("a preference lasts until the time of day it was asked for, but never longer than one can be") {
    const Place place;
    Memory memory = daemon::blank_memory(rig());
    memory.loads[0].preferred_until = clocks.now + 90min;
    place.keep(memory);
    CHECK(place.found(rig(), after(30min)).memory.loads[0].preferred_until == Instant(5s) + 60min);
    CHECK_FALSE(place.found(rig(), after(90min)).memory.loads[0].preferred_until);
    CHECK_FALSE(place.found(rig(), after(std::chrono::hours(9000))).memory.loads[0].preferred_until);
    // A clock without a battery begins in 1970, or whenever its image was made.
    const Clocks never_set{Instant(5s), std::chrono::system_clock::time_point{}};
    CHECK(place.found(rig(), never_set).memory.loads[0].preferred_until == Instant(5s) + 24h);
}

TEST_CASE("loads are known by their ids, and those that are gone are told") {
    const Place place;
    Memory memory = daemon::blank_memory(rig());
    memory.loads[0].held = true;
    memory.loads[2].lockout = Lockout::stall;
    memory.loads[3].held = true;
    place.keep(memory);
    rules::Rig other{};
    other.loads = {load("charger"), load("new"), load("pump")};
    other.loads[2].control = rules::Control::observed;
    const auto found = place.found(other, clocks);
    CHECK(found.memory.loads[0].lockout == Lockout::stall);
    CHECK_FALSE(found.memory.loads[0].held);
    CHECK(found.memory.loads[1] == LoadMemory{.wanted = true});
    CHECK_FALSE(found.memory.loads[2].held);
    CHECK(found.forgotten == std::vector<std::string>{"front-ac", "pump"});
}

TEST_CASE("a file that is no state file is left as it is, and said so with the remedy") {
    const Place place;
    SECTION("a text") {
        std::ofstream(place.file()) << std::string(5000, 'x');
    }
    SECTION("a database of another program") {
        place.sql("CREATE TABLE songs (title TEXT)");
    }
    SECTION("a damaged one") {
        place.keep(daemon::blank_memory(rig()));
        std::string bytes = place.bytes();
        REQUIRE(bytes.size() > 4096);
        std::fill(bytes.begin() + 4096, bytes.end(), '\xa5');  // all but the first page
        std::ofstream(place.file(), std::ios::binary) << bytes;
    }
    SECTION("one that was cut off") {
        place.keep(daemon::blank_memory(rig()));
        std::filesystem::resize_file(place.file(), 4096);
    }
    const std::string before = place.bytes();
    const std::string wrong = place.wrong();
    CAPTURE(wrong);
    CHECK(has(wrong, place.file().c_str()));
    CHECK(has(wrong, "move it away, and a new one is made"));
    CHECK(place.bytes() == before);
}

TEST_CASE("what no version of ours has written is not believed") {
    const Place place;
    Memory memory = daemon::blank_memory(rig());
    memory.loads[0].held = true;
    place.keep(memory);
    place.keep(some_lessons(rig_with_stages()));
    SECTION("a lockout that there is none of") {
        place.sql("UPDATE load SET lockout = 'perhaps'");
    }
    SECTION("a table less") {
        place.sql("DROP TABLE load");
    }
    SECTION("a column less") {
        place.sql("ALTER TABLE load DROP COLUMN held");
    }
    SECTION("a table of what starts have taught less") {
        place.sql(GENERATE("DROP TABLE stage", "DROP TABLE seen_start", "DROP TABLE past"));
    }
    const auto read = place.open().read(rig_with_stages(), clocks);
    REQUIRE(std::holds_alternative<std::string>(read));
    CHECK(has(std::get<std::string>(read), "move it away, and a new one is made"));
}

TEST_CASE("a file of a newer version is left to it") {
    const Place place;
    place.keep(daemon::blank_memory(rig()));
    place.sql("PRAGMA user_version = 3");
    const std::string before = place.bytes();
    CHECK(has(place.wrong(), "it was written by a newer ampmarshald): name another file"));
    CHECK(place.bytes() == before);
}

TEST_CASE("what starts have taught comes back bit for bit, apart from what people have set") {
    const Place place;
    const rules::Rig of = rig_with_stages();
    const Lessons lessons = some_lessons(of);
    REQUIRE(lessons[0][1].past[0]);
    REQUIRE(lessons[0][1].departed[0]);
    Memory memory = daemon::blank_memory(of);
    memory.loads[0].held = true;
    place.keep(lessons);
    place.keep(memory);
    const auto found = place.found(of, clocks);
    CHECK(found.memory == memory);
    CHECK(found.forgotten.empty());
    CHECK(found.changed.empty());
    for (rules::LoadIndex i = 0; i < lessons.size(); ++i)
        for (std::size_t s = 0; s < lessons[i].size(); ++s)
            CHECK(bits(found.lessons.at(i).at(s)) == bits(lessons[i][s]));

    Lessons fewer = lessons;
    fewer[0][1] = {};  // a person had it forgotten
    place.keep(fewer);
    const auto after = place.found(of, clocks);
    CHECK(after.memory == memory);
    CHECK(bits(after.lessons[0][1]) == bits({}));
    CHECK(bits(after.lessons[0][0]) == bits(lessons[0][0]));
}

TEST_CASE("what starts have taught counts only while the figures of the stage are those of then") {
    const Place place;
    const Lessons lessons = some_lessons(rig_with_stages());
    place.keep(lessons);
    rules::Rig changed = rig_with_stages();
    rules::Stage& compressor = changed.loads[0].stages[1];
    std::string name = "compressor";
    SECTION("another start current") {
        compressor.start_a = std::nextafter(compressor.start_a, 0);
    }
    SECTION("another window") {
        compressor.start_window += 1us;
    }
    SECTION("another running current") {
        compressor.running_a += 0.1;
    }
    SECTION("another delay") {
        compressor.latest_after += 1s;
    }
    SECTION("another name") {
        compressor.name = "pump";
    }
    const auto found = place.found(changed, clocks);
    CHECK(found.changed == std::vector<std::string>{"front-ac (" + name + ")"});
    CHECK(found.lessons[0][1].seen == 0);
    CHECK(found.lessons[0][1].count == 0);
    CHECK(bits(found.lessons[0][0]) == bits(lessons[0][0]));
    CHECK(bits(found.lessons[3][0]) == bits(lessons[3][0]));
    // A stage more, and what was seen of the others may have been two in one.
    changed = rig_with_stages();
    changed.loads[3].stages.push_back(stage("pump", 20));
    CHECK(place.found(changed, clocks).changed == std::vector<std::string>{"pump (motor)"});
}

TEST_CASE("starts are remembered by the ids of load and source, whatever their order") {
    const Place place;
    rules::Rig of = rig_with_stages();
    const Lessons lessons = some_lessons(of);
    place.keep(lessons);
    Memory memory = daemon::blank_memory(of);
    memory.loads[0].held = true;
    place.keep(memory);
    std::swap(of.sources[0], of.sources[1]);
    of.sources[1].id = "campground";  // was the pedestal
    of.loads[0].id = "rear-ac";
    std::swap(of.loads[2], of.loads[3]);
    const auto found = place.found(of, clocks);
    CHECK(found.forgotten == std::vector<std::string>{"front-ac"});  // for both, and both of its stages
    CHECK(found.lessons[2][0].count == 1);
    CHECK_FALSE(found.lessons[2][0].last[0].source);
    of.loads[0].id = "front-ac";
    const auto again = place.found(of, clocks).lessons[0][1];
    for (std::size_t i = 0; i < again.count; ++i) {
        const auto before = lessons[0][1].last[i].source;
        CHECK(again.last[i].source == (before == 1U ? std::optional<rules::SourceIndex>(0) : std::nullopt));
    }
}

TEST_CASE("what is kept is written as a whole or not at all, and what was wrong is told") {
    const Place place;
    const rules::Rig of = rig_with_stages();
    const Lessons lessons = some_lessons(of);
    place.keep(lessons);
    for (const char* table : {"past", "seen_start", "stage"}) {
        place.sql(("ALTER TABLE " + std::string(table) + " ADD COLUMN of_another_program").c_str());
        StateFile file = place.open();
        Lessons more = lessons;
        more[1][0] = taught(of.loads[1].stages[0], 25);
        const std::string wrong = file.write(more, of);
        CAPTURE(table, wrong);
        CHECK(has(wrong, "move it away, and a new one is made"));
        const auto read = file.read(of, clocks);
        REQUIRE(std::holds_alternative<StateFile::Found>(read));
        const auto& kept = std::get<StateFile::Found>(read).lessons;
        CHECK(kept[1][0].count == 0);
        CHECK(bits(kept[0][1]) == bits(lessons[0][1]));
    }
    place.sql("ALTER TABLE load ADD COLUMN of_another_program");
    Memory memory = daemon::blank_memory(of);
    memory.loads[0].held = true;
    CHECK(has(place.open().write(memory, of, clocks), "move it away, and a new one is made"));
    CHECK_FALSE(place.found(of, clocks).memory.loads[0].held);
}

TEST_CASE("what cannot have been is told when it is taken back, and all the rest is taken") {
    const Place place;
    const rules::Rig of = rig_with_stages();
    place.keep(some_lessons(of));
    std::string why = "start 1 of 20 cannot have been one";
    SECTION("a current below nothing") {
        place.sql("UPDATE seen_start SET peak_a = -3 WHERE load = 'front-ac' AND stage = 1");
    }
    SECTION("a text where a number belongs") {
        place.sql("UPDATE seen_start SET period_us = 'often' WHERE load = 'front-ac' AND stage = 1");
    }
    SECTION("one that is not finite") {
        place.sql("UPDATE seen_start SET running_a = 9e999 WHERE load = 'front-ac' AND stage = 1");
    }
    SECTION("more starts than are ever remembered") {
        why = "more starts are remembered than were seen";
        place.sql(
            "INSERT INTO seen_start SELECT load, stage, number + 20, peak_a, running_a, lasted_us, "
            "period_us, saw_peak, line_share, source FROM seen_start WHERE stage = 1");
    }
    SECTION("fewer seen than none") {
        why = "more starts are remembered than were seen";
        place.sql("UPDATE stage SET seen = -1 WHERE load = 'front-ac' AND stage = 1");
    }
    SECTION("a past that cannot have been") {
        why = "the past it is compared with cannot have been";
        place.sql("UPDATE past SET median = 1e300");
    }
    SECTION("a departure from no past") {
        why = "";
        place.sql("DELETE FROM past");
    }
    const auto found = place.found(of, clocks);
    CHECK(found.changed.empty());
    rules::Marshal marshal(of, 0, clocks.now);
    const auto wrong = daemon::recall(found.lessons, marshal);
    CHECK(marshal.profile(0, 0).memory().count == 3);
    CHECK(marshal.profile(3, 0).memory().count == 1);
    if (why.empty()) {
        CHECK(wrong.empty());
        CHECK_FALSE(marshal.profile(0, 1).memory().departed[0]);
        return;
    }
    REQUIRE(wrong.size() == 1);
    CHECK(
        has(wrong[0], ("what the starts of front-ac (compressor) had taught is not taken: " + why).c_str()));
    CHECK(marshal.profile(0, 1).memory().count == 0);
}

namespace {

/// As the version before this one made it.
constexpr const char* format_1 = R"(
    CREATE TABLE rig (everything_stopped INTEGER NOT NULL);
    CREATE TABLE load (
        id TEXT PRIMARY KEY,
        wanted INTEGER NOT NULL,
        wanted_by_file INTEGER NOT NULL,
        held INTEGER NOT NULL,
        lockout TEXT NOT NULL,
        preferred_until_s INTEGER
    ) WITHOUT ROWID;
    PRAGMA application_id = 1634562163;
    PRAGMA user_version = 1;
    INSERT INTO rig VALUES (1);
    INSERT INTO load VALUES ('front-ac', 1, 1, 1, 'stall', NULL);
    INSERT INTO load VALUES ('heater', 1, 0, 0, 'none', 1800003600);
)";

/// While it lives no file may grow, as on a full disk. setrlimit(2).
class FullDisk {
  public:
    FullDisk() {
        std::signal(SIGXFSZ, SIG_IGN);
        REQUIRE(getrlimit(RLIMIT_FSIZE, &as_before_) == 0);
        const rlimit none{0, as_before_.rlim_max};
        REQUIRE(setrlimit(RLIMIT_FSIZE, &none) == 0);
    }
    ~FullDisk() { setrlimit(RLIMIT_FSIZE, &as_before_); }
    FullDisk(const FullDisk&) = delete;
    FullDisk& operator=(const FullDisk&) = delete;

  private:
    rlimit as_before_{};
};

}  // namespace

TEST_CASE("a file of the format before is taken over, and nothing in it is lost") {
    const Place place;
    place.sql(format_1);
    Memory memory = daemon::blank_memory(rig());
    memory.everything_stopped = true;
    memory.loads[0] = {.wanted = true, .held = true, .lockout = Lockout::stall};
    memory.loads[1] = {.wanted = true, .preferred_until = clocks.now + 1h};
    const rules::Rig of = rig_with_stages();
    for (int i = 0; i < 2; ++i) {  // the second time it is of the new format
        const auto found = place.found(of, clocks);
        CHECK(found.memory == memory);
        CHECK(found.lessons[0][1].count == 0);
        CHECK(found.forgotten.empty());
    }
    const Lessons lessons = some_lessons(of);
    place.keep(lessons);
    const auto found = place.found(of, clocks);
    CHECK(found.memory == memory);
    CHECK(bits(found.lessons[0][1]) == bits(lessons[0][1]));
}

TEST_CASE("a file of the format before that cannot be written stays as it is") {
    const Place place;
    place.sql(format_1);
    const std::string before = place.bytes();
    std::string wrong;
    {
        const FullDisk full;
        wrong = place.wrong();
    }
    CHECK(has(wrong, "has room and may be written to"));
    CHECK(place.bytes() == before);
}

TEST_CASE("a file that another program has open is left to it") {
    const Place place;
    const StateFile first = place.open();
    CHECK(has(place.wrong(), "another program has it open: give each ampmarshald a file of its own"));
}

TEST_CASE("a place where no file can be made is told of") {
    const auto opened = StateFile::open("/no/such/folder/state.sqlite");
    REQUIRE(std::holds_alternative<std::string>(opened));
    CHECK(has(std::get<std::string>(opened), "check that its folder exists, has room and may be written to"));
}

TEST_CASE("what cannot be written is told, the old state stays, and the next attempt may succeed") {
    const Place place;
    Memory memory = daemon::blank_memory(rig());
    memory.loads[0].held = true;
    place.keep(memory);
    {
        StateFile file = place.open();
        memory.loads[1].held = true;
        const rules::Rig of = rig_with_stages();
        std::string wrong;
        std::string wrong_of_lessons;
        {
            const FullDisk full;
            wrong = file.write(memory, rig(), clocks);
            wrong_of_lessons = file.write(some_lessons(of), of);
        }
        CAPTURE(wrong, wrong_of_lessons);
        CHECK(has(wrong, "has room and may be written to"));
        CHECK(has(wrong_of_lessons, "has room and may be written to"));
        const auto read = file.read(rig(), clocks);
        REQUIRE(std::holds_alternative<StateFile::Found>(read));
        CHECK_FALSE(std::get<StateFile::Found>(read).memory.loads[1].held);
        CHECK(file.write(memory, rig(), clocks).empty());
    }
    CHECK(place.found(rig(), clocks).memory == memory);
}
