// The file in which what people have set outlives the program: what comes back of it, and what is said when
// it cannot be used. SQLite itself stands in for other programs and newer versions.
#include "daemon/state_file.h"

#include <sqlite3.h>
#include <sys/resource.h>
#include <unistd.h>

#include <csignal>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "tests/support/catch.h"

using namespace ampmarshal;
using namespace std::chrono_literals;
using daemon::Clocks;
using daemon::LoadMemory;
using daemon::Memory;
using daemon::StateFile;
using rules::Instant;
using rules::Lockout;

namespace {

rules::Load load(std::string id, bool wanted = true) {
    rules::Load it{};
    it.id = std::move(id);
    it.control = rules::Control::switched;
    it.wanted_at_start = wanted;
    return it;
}

rules::Rig rig() {
    rules::Rig it{};
    it.loads = {load("front-ac"), load("heater", false), load("charger"), load("pump")};
    return it;
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
    SECTION("a lockout that there is none of") {
        place.sql("UPDATE load SET lockout = 'perhaps'");
    }
    SECTION("a table less") {
        place.sql("DROP TABLE load");
    }
    SECTION("a column less") {
        place.sql("ALTER TABLE load DROP COLUMN held");
    }
    const auto read = place.open().read(rig(), clocks);
    REQUIRE(std::holds_alternative<std::string>(read));
    CHECK(has(std::get<std::string>(read), "move it away, and a new one is made"));
}

TEST_CASE("a file of a newer version is left to it") {
    const Place place;
    place.keep(daemon::blank_memory(rig()));
    place.sql("PRAGMA user_version = 2");
    const std::string before = place.bytes();
    CHECK(has(place.wrong(), "it was written by a newer ampmarshald): name another file"));
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
        // As on a full disk: no file may grow. setrlimit(2).
        std::signal(SIGXFSZ, SIG_IGN);
        rlimit as_before{};
        REQUIRE(getrlimit(RLIMIT_FSIZE, &as_before) == 0);
        const rlimit none{0, as_before.rlim_max};
        REQUIRE(setrlimit(RLIMIT_FSIZE, &none) == 0);
        const std::string wrong = file.write(memory, rig(), clocks);
        REQUIRE(setrlimit(RLIMIT_FSIZE, &as_before) == 0);
        CAPTURE(wrong);
        CHECK(has(wrong, "has room and may be written to"));
        const auto read = file.read(rig(), clocks);
        REQUIRE(std::holds_alternative<StateFile::Found>(read));
        CHECK_FALSE(std::get<StateFile::Found>(read).memory.loads[1].held);
        CHECK(file.write(memory, rig(), clocks).empty());
    }
    CHECK(place.found(rig(), clocks).memory == memory);
}
