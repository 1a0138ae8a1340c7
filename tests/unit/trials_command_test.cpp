// `ampmarshal trials` as a person runs it: what it prints, what it leaves behind, and its exit codes.
#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>

#include "tests/support/catch.h"

namespace fs = std::filesystem;

namespace {

struct Outcome {
    int code;
    std::string told;  ///< standard output and standard error together
};

Outcome run(const std::string& arguments, const std::string& environment = "") {
    FILE* pipe =
        ::popen((environment + " \"" AMPMARSHAL_PROGRAM "\" trials " + arguments + " 2>&1").c_str(), "r");
    REQUIRE(pipe != nullptr);
    Outcome out{};
    char part[4096];
    for (std::size_t n = 0; (n = std::fread(part, 1, sizeof part, pipe)) > 0;)
        out.told.append(part, n);
    out.code = WEXITSTATUS(::pclose(pipe));
    return out;
}

class Folder {
  public:
    Folder() : path_(fs::temp_directory_path() / ("ampmarshal-trials-test-" + std::to_string(::getpid()))) {
        fs::create_directory(path_);
    }
    ~Folder() { fs::remove_all(path_); }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;

    std::string at(const std::string& name) const { return (path_ / name).string(); }
    std::string with(const std::string& name, const std::string& content) const {
        std::ofstream(at(name), std::ios::binary) << content;
        return at(name);
    }
    std::string content(const std::string& name) const {
        std::ifstream file(at(name), std::ios::binary);
        std::ostringstream text;
        text << file.rdbuf();
        return text.str();
    }
    std::size_t files() const {
        return static_cast<std::size_t>(
            std::distance(fs::directory_iterator(path_), fs::directory_iterator()));
    }

  private:
    fs::path path_;
};

const std::string example = "\"" AMPMARSHAL_EXAMPLES "/trials.csv\"";  // a word for the shell
const std::string rig = "\"" AMPMARSHAL_EXAMPLES "/two-leg-50a.jsonc\"";
const std::string mistaken = "load,fitting,before_a,start_a,running_a\nfridge,bare,0.2,1.3,1.4\n";

bool has(const std::string& text, const std::string& words) {
    return text.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("The example is told as a table, without colour where no terminal is") {
    const Outcome out = run(example);
    CHECK(out.code == 0);
    CHECK(has(out.told, "ac-front, soft-start, 6 trials at 119 V"));
    CHECK(has(out.told, "With soft-start the start is 70.1 % lower than with bare"));
    CHECK_FALSE(has(out.told, "\x1b"));
}

TEST_CASE("Headings stand out on a terminal unless NO_COLOR is set") {
    const Folder folder;
    const std::string one =
        folder.with("one.csv", "load,fitting,before_a,start_a,running_a\nfridge,bare,0.2,6.1,1.4\n");
    const int terminal = ::posix_openpt(O_RDWR | O_NOCTTY);
    REQUIRE(terminal >= 0);
    REQUIRE(::grantpt(terminal) == 0);
    REQUIRE(::unlockpt(terminal) == 0);
    // Held open, so that what the program wrote stays readable after it has ended.
    const int screen = ::open(::ptsname(terminal), O_RDWR | O_NOCTTY);
    REQUIRE(screen >= 0);
    // A terminal hands over what was written in pieces and a little later, so one read may leave
    // the rest to the next; a mark written after the program has ended tells where its text ends.
    const std::string end = "<end>";
    const auto shown = [&](const std::string& environment) {
        CHECK(run(one + " >" + ::ptsname(terminal), environment).code == 0);
        REQUIRE(::write(screen, end.data(), end.size()) == static_cast<ssize_t>(end.size()));
        std::string text;
        while (!has(text, end)) {
            char piece[4096];
            const ssize_t size = ::read(terminal, piece, sizeof piece);
            REQUIRE(size > 0);
            text.append(piece, static_cast<std::size_t>(size));
        }
        return text;
    };
    CHECK(has(shown("NO_COLOR="), "\x1b[1mfridge, bare, 1 trial\x1b[0m"));
    const std::string plain = shown("NO_COLOR=1");
    CHECK(has(plain, "fridge, bare, 1 trial"));
    CHECK_FALSE(has(plain, "\x1b"));
    ::close(screen);
    ::close(terminal);
}

TEST_CASE("JSON, page and profiles are written together") {
    const Folder folder;
    const Outcome out = run(example + " --json --html " + folder.at("t.html") + " --config " + rig +
                            " --profile " + folder.at("loads.jsonc"));
    CHECK(out.code == 0);
    CHECK(nlohmann::json::parse(out.told)["fittings"].size() == 4);
    CHECK(has(folder.content("t.html"), "Generator: 41.7 A"));
    CHECK(has(folder.content("t.html"), "20 A outlet through adapters: 60.0 A"));
    CHECK(nlohmann::json::parse(folder.content("loads.jsonc"), nullptr, true, true)["loads"].size() == 3);
    CHECK(folder.files() == 2);
}

TEST_CASE("Mistakes in any file are told together, with exit code 2 and nothing written") {
    const Folder folder;
    const std::string bad = folder.with("bad.csv", mistaken);
    const std::string none = folder.at("none.csv");
    const Outcome out = run(example + " " + bad + " " + none + " --html " + folder.at("t.html") +
                            " --profile " + folder.at("loads.jsonc"));
    CHECK(out.code == 2);
    CHECK(has(out.told, "ampmarshal trials: " + bad + ":2: start_a: \"1.3\" is below running_a"));
    CHECK(
        has(out.told, "ampmarshal trials: " + none + ": cannot be read; name a CSV file that you may read"));
    CHECK_FALSE(has(out.told, "ac-front"));
    CHECK(folder.files() == 1);
}

TEST_CASE("A folder, or a file without end, is no file of trials") {
    const Folder folder;
    CHECK(run(folder.at("")).code == 2);
    CHECK(has(run("/dev/zero").told, "/dev/zero: is larger than 1 MiB"));
}

TEST_CASE("Very many mistakes are not all printed") {
    const Folder folder;
    std::string text = mistaken;
    for (int i = 0; i < 99; ++i)
        text += "fridge,bare,0.2,1.3,1.4\n";
    const Outcome out = run(folder.with("bad.csv", text));
    CHECK(out.code == 2);
    CHECK(has(out.told, ":51: "));
    CHECK_FALSE(has(out.told, ":52: "));
    CHECK(has(out.told, "and 50 more"));
}

TEST_CASE("A configuration with mistakes is told, with exit code 2 and nothing written") {
    const Folder folder;
    const std::string config = folder.with("rig.jsonc", "{}");
    const Outcome out = run(example + " --html " + folder.at("t.html") + " --config " + config);
    CHECK(out.code == 2);
    CHECK(has(out.told, config + ": "));
    CHECK(folder.files() == 1);
}

TEST_CASE("What cannot be written gives exit code 1 and leaves nothing half-written") {
    const Folder folder;
    const Outcome page = run(example + " --html " + folder.at("no/such/t.html"));
    CHECK(page.code == 1);
    CHECK(has(page.told, "cannot write '" + folder.at("no/such/t.html") + "'; name a file in a folder"));
    fs::create_directory(folder.at("taken"));
    CHECK(run(example + " --profile " + folder.at("taken")).code == 1);
    CHECK(folder.files() == 1);
    CHECK(run(example + " > /dev/full").code == 1);
}

TEST_CASE("A wrong command line gives exit code 2, help tells the codes and examples") {
    CHECK(run("").code == 2);
    CHECK(run(example + " --config " + rig).code == 2);  // lines in charts that nobody asked for
    CHECK(run(example + " --nonsense").code == 2);
    const Outcome help = run("--help");
    CHECK(help.code == 0);
    CHECK(has(help.told, "Examples:"));
    CHECK(has(help.told,
              "Exit codes: 0 done, 1 a result could not be written, 2 the command line or a file is wrong"));
}
