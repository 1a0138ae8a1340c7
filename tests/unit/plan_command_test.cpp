// `ampmarshal plan` as a person runs it: what it prints, what it leaves behind, and its exit codes. What the
// plans say is tried in planner_test.cpp; docs/will-it-run-here.md shows whole outputs, which a test
// compares.
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>

#include "tests/support/catch.h"

namespace fs = std::filesystem;
using nlohmann::json;

namespace {

struct Outcome {
    int code;
    std::string told;  ///< standard output and standard error together
};

Outcome run(const std::string& arguments) {
    FILE* pipe = ::popen(("\"" AMPMARSHAL_PROGRAM "\" plan " + arguments + " 2>&1").c_str(), "r");
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
    Folder() : path_(fs::temp_directory_path() / ("ampmarshal-plan-test-" + std::to_string(::getpid()))) {
        fs::create_directory(path_);
    }
    ~Folder() { fs::remove_all(path_); }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;

    std::string at(const std::string& name) const { return (path_ / name).string(); }
    std::string with(const std::string& name, const std::string& content) const {
        std::ofstream(at(name)) << content;
        return at(name);
    }
    std::string content(const std::string& name) const {
        std::ostringstream text;
        text << std::ifstream(at(name)).rdbuf();
        return text.str();
    }
    bool empty() const { return fs::is_empty(path_); }

  private:
    fs::path path_;
};

const std::string rig = "\"" AMPMARSHAL_EXAMPLES "/two-leg-50a.jsonc\" ";  // a word for the shell

bool has(const std::string& text, const std::string& words) {
    return text.find(words) != std::string::npos;
}

/// Twenty-four heaters on one leg.
std::string large_rig() {
    json loads = json::array();
    for (int i = 1; i <= 24; ++i) {
        const std::string id = "heater-" + std::to_string(i);
        loads.push_back({{"id", id},
                         {"rank", i},
                         {"control", "switched"},
                         {"stages", {{{"start_a", 3}, {"running_a", 3}}}},
                         {"switch", {{"topic", "rig/" + id + "/set"}}}});
    }
    return json{{"rig", {{"id", "wren"}}},
                {"broker", json::object()},
                {"sources", {{{"id", "pedestal"}, {"kind", "breaker"}, {"rating_a", 30}}}},
                {"meters", {{{"id", "main"}, {"leg", "L1"}, {"current", {{"topic", "rig/meter"}}}}}},
                {"loads", loads}}
        .dump();
}

}  // namespace

TEST_CASE("A plan is printed for every source, or for the one that is asked for") {
    const Outcome all = run(rig);
    CHECK(all.code == 0);
    for (const char* source : {"50 A pedestal\n", "20 A outlet through adapters\n", "Generator\n"})
        CHECK(has(all.told, source));
    CHECK_FALSE(has(all.told, "\x1b"));
    const Outcome one = run(rig + "--source generator");
    CHECK(one.code == 0);
    CHECK(has(one.told, "Generator\n"));
    CHECK_FALSE(has(one.told, "20 A outlet"));
}

TEST_CASE("A plan for programs holds what the table says, and the page is one file with all in it") {
    const Folder folder;
    const Outcome out = run(rig + "--source pedestal-50 --json --html " + folder.at("p.html"));
    CHECK(out.code == 0);
    const json plan = json::parse(out.told)["sources"][0];
    CHECK(plan["fits"] == true);
    CHECK(plan["order"] == json({"ac-front", "ac-rear", "water-heater", "dryer"}));
    CHECK(plan["limits"].size() == 2);
    CHECK(plan["matrix"].size() == 25);
    const std::string page = folder.content("p.html");
    CHECK(has(page, "<svg"));
    CHECK(has(page, "Clothes dryer"));
    for (const char* outside : {"http://", "https://", "<script", "<link", "url("})
        CHECK_FALSE(has(page, outside));
}

TEST_CASE("What a load is called is text on the page, not markup") {
    const Folder folder;
    std::string config = large_rig();
    config.replace(config.find(R"("id":"wren")"), 11, R"("id":"wren","name":"<b>&\"rig")");
    CHECK(run(folder.with("r.json", config) + " --html " + folder.at("p.html")).code == 0);
    CHECK(has(folder.content("p.html"), "&lt;b&gt;&amp;&quot;rig"));
    CHECK_FALSE(has(folder.content("p.html"), "<b>&"));
}

TEST_CASE("Another figure on the command line is weighed as if it stood in the configuration") {
    const std::string generator = rig + "--source generator --json --want ac-front ";
    CHECK(json::parse(run(generator).told)["sources"][0]["fits"] == false);
    CHECK(json::parse(run(generator + "--what-if ac-front.start_a=16").told)["sources"][0]["fits"] == true);
    CHECK(
        json::parse(run(generator + "--what-if ac-front.compressor.start_a=16").told)["sources"][0]["fits"] ==
        true);
    const Outcome thin =
        run(generator + "--what-if ac-front.start_a=16 --what-if generator.altitude_ft=15000");
    CHECK(json::parse(thin.told)["sources"][0]["fits"] == false);
}

TEST_CASE(
    "Who is left out takes turns where it can, and an adjustable load is told how far it is turned down") {
    const std::string one_leg = "\"" AMPMARSHAL_EXAMPLES "/one-leg-30a.jsonc\" --source outlet-15 ";
    const std::string smaller =
        "--what-if ac-front.start_a=16 --what-if ac-rear.start_a=16 "
        "--what-if microwave.start_a=0 --what-if microwave.running_a=0 ";
    const Outcome rooms = run(one_leg + smaller + "--want ac-front,ac-rear");
    CHECK(has(rooms.told, "takes turns with"));
    CHECK(json::parse(run(one_leg + smaller + "--want ac-front,ac-rear --json")
                          .told)["sources"][0]["left_out"][0]["turns_with"] == "ac-front");
    const json alone = json::parse(run(one_leg + "--want ac-front,ac-rear --json").told);
    CHECK(alone["sources"][0]["left_out"][0]["turns_with"].is_null());  // neither starts there at all

    const std::string one_unit =
        one_leg + smaller + "--want ac-front,charger --what-if ac-front.running_a=8 ";
    const json charger = json::parse(run(one_unit + "--json").told)["sources"][0]["left_out"][0];
    CHECK(charger["load"] == "charger");
    const double runs_at_a = charger["runs_at_a"];
    CHECK(runs_at_a >= 2);
    CHECK(has(run(one_unit).told, "it runs beside them"));
    // So far turned down, and no further, it is in the plan.
    const auto set_to = [&](double setting_a) {
        const std::string figure = std::to_string(setting_a);
        return json::parse(run(one_unit + "--json --what-if charger.running_a=" + figure +
                               " --what-if charger.start_a=" + figure)
                               .told)["sources"][0]["left_out"];
    };
    CHECK(set_to(runs_at_a).empty());
}

TEST_CASE("A cord lowers the line, and what has gone wrong with it is told") {
    const Outcome out = run(rig + "--source pedestal-50 --cord 12AWG,100ft --json");
    CHECK(out.code == 0);
    CHECK(json::parse(out.told)["sources"][0]["line_v"].get<double>() < 120);
    CHECK(json::parse(run(rig + "--source pedestal-50 --json").told)["sources"][0]["line_v"].is_null());
    const Outcome wrong = run(rig + "--cord thick");
    CHECK(wrong.code == 2);
    CHECK(has(wrong.told, "--cord \"thick\" is not understood; give 18 to 2 AWG"));
}

TEST_CASE("A plan says what is wrong with what it was given, with 2 and nothing written") {
    const Folder folder;
    for (const auto& [arguments, told] : std::vector<std::pair<std::string, std::string>>{
             {rig + "--source moon", "\"moon\" is no source of this configuration; give one of pedestal-50"},
             {rig + "--want ac-front,oven", "\"oven\" is no load of this configuration; give one of"},
             {rig + "--what-if start_a", "write ID.KEY=VALUE"},
             {rig + "--what-if oven.start_a=3", "names no source, load or stage of the configuration"},
             {rig + "--what-if ac-front.start_a=1", "is below running_a"},
             {rig + "--what-if ac-front.start=1", "is not known here"},
             {rig + "--background -1", "--background"},
             {rig + "--impedance much", "--impedance"},
             {folder.at("none.jsonc"), "none.jsonc: "},
             {"/dev/null", "/dev/null: "},
             {"/dev/zero", "/dev/zero: "},
             {"", "CONFIG"}}) {
        CAPTURE(arguments);
        const Outcome out = run(arguments + " --html " + folder.at("p.html"));
        CAPTURE(out.told);
        CHECK(out.code == 2);
        CHECK(has(out.told, told));
    }
    CHECK(folder.empty());
}

TEST_CASE("A plan that cannot be written gives 1 and leaves nothing half-written") {
    const Folder folder;
    const Outcome out = run(rig + "--html " + folder.at("no/such/p.html"));
    CHECK(out.code == 1);
    CHECK(has(out.told, "cannot write '" + folder.at("no/such/p.html") + "'; name a file in a folder"));
    CHECK(folder.empty());
    CHECK(run(rig + "> /dev/full").code == 1);
}

TEST_CASE("Twenty-four loads fit on a terminal's width") {
    const Folder folder;
    const Outcome out = run(folder.with("r.json", large_rig()));
    CHECK(out.code == 0);
    CHECK(has(out.told, "    a  heater-1               a y y y"));
    std::istringstream lines(out.told.substr(out.told.find("starts | while it runs:")));
    for (std::string line; std::getline(lines, line) && line.find("y: even") == std::string::npos;)
        CHECK(line.size() <= 79);
}

TEST_CASE("Help for plans tells every option with examples and the exit codes") {
    const Outcome help = run("--help");
    CHECK(help.code == 0);
    for (const char* word : {"--source", "--want", "--what-if", "--cord", "--impedance", "--background",
                             "--json", "--html", "Examples:", "Exit codes: 0"})
        CHECK(has(help.told, word));
}
