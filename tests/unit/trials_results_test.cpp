// What trials come to, and how that is told: as a table, JSON, profiles and a page.
#include <cmath>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "daemon/configuration.h"
#include "daemon/trials/trial_page.h"
#include "daemon/trials/trial_report.h"
#include "tests/support/catch.h"

using ampmarshal::daemon::Emphasis;
using namespace ampmarshal::daemon::trials;
using ampmarshal::daemon::Configuration;
using nlohmann::json;

namespace {

const std::string header = "load,fitting,volts,before_a,fan_start_a,fan_running_a,start_a,running_a\n";

const std::string front =
    "ac-front,bare,120,0.4,5.4,2.9,50.9,14.4\n"
    "ac-front,bare,120,0.4,5.2,2.9,52.9,14.6\n"
    "ac-front,bare,120,0.4,5.0,2.9,51.9,14.5\n"
    "ac-front,soft-start,120,0.4,5.1,2.9,16.9,14.5\n"
    "ac-front,soft-start,120,0.4,5.1,2.9,17.1,14.5\n"
    "ac-front,soft-start,120,0.4,5.1,2.9,17.0,14.5\n";

Results results_of(const std::string& text) {
    TrialReader reader;
    reader.read(text, "t.csv");
    for (const auto& mistake : reader.mistakes())
        UNSCOPED_INFO(mistake);
    REQUIRE(reader.mistakes().empty());
    return evaluate(reader.trials(), reader.unit());
}

bool has(const std::string& text, const std::string& words) {
    return text.find(words) != std::string::npos;
}

bool noted(const std::vector<std::string>& notes, const std::string& words) {
    for (const auto& note : notes)
        if (has(note, words)) return true;
    return false;
}

/// Notes of the only fitting.
std::vector<std::string> notes_on(const std::string& rows) {
    const Results results = results_of(header + rows);
    REQUIRE(results.fittings.size() == 1);
    return results.fittings[0].notes;
}

std::size_t times(const std::string& text, const std::string& words) {
    std::size_t n = 0;
    for (auto at = text.find(words); at != std::string::npos; at = text.find(words, at + 1))
        ++n;
    return n;
}

}  // namespace

TEST_CASE("A start counts from what flowed just before it, running from what flowed before the load") {
    const Results results = results_of(header + front);
    REQUIRE(results.fittings.size() == 2);
    const FittingResult& bare = results.fittings[0];
    CHECK(bare.fitting == "bare");
    CHECK(bare.start_a.summary.n == 3);
    CHECK(bare.start_a.summary.mean == Approx(49));
    CHECK(*bare.start_a.summary.deviation == Approx(1));
    CHECK(bare.start_a.interval->low == Approx(49 - 4.3027 / std::sqrt(3.0)).epsilon(1e-5));
    CHECK(bare.running_a.summary.mean == Approx(14.1));
    CHECK(bare.motor_running_a.summary.mean == Approx(11.6));
    CHECK(bare.ratio.values[2] == Approx(49 / 11.6));
    CHECK(bare.fan_start_a->summary.mean == Approx(4.8));
    CHECK(bare.fan_running_a->summary.mean == Approx(2.5));
    CHECK(bare.volts == Approx(120));
    CHECK(bare.start_va->summary.mean == Approx(49 * 120));
    CHECK(bare.running_va->summary.mean == Approx(14.1 * 120));
    CHECK(bare.notes.empty());
}

TEST_CASE("VA are told only if every trial tells its voltage") {
    const Results results =
        results_of(header + "fridge,bare,120,0.2,,,6.1,1.4\nfridge,bare,,0.2,,,6.3,1.4\n");
    CHECK_FALSE(results.fittings[0].volts);
    CHECK_FALSE(results.fittings[0].start_va);
    CHECK_FALSE(results.fittings[0].fan_start_a);
}

TEST_CASE("A fitting is compared with the first of its load, however the rows are mixed") {
    const Results results = results_of(header +
                                       "fridge,bare,,0,,,6.1,1.4\n"
                                       "pump,bare,,0,,,8.1,2.0\n"
                                       "fridge,soft-start,,0,,,3.1,1.4\n"
                                       "fridge,bare,,0,,,6.3,1.4\n"
                                       "fridge,soft-start,,0,,,3.2,1.4\n"
                                       "fridge,new compressor,,0,,,6.0,1.4\n"
                                       "fridge,new compressor,,0,,,6.4,1.4\n");
    REQUIRE(results.fittings.size() == 4);
    CHECK(results.fittings[3].load == "pump");
    REQUIRE(results.comparisons.size() == 2);
    CHECK(results.comparisons[0].after == "soft-start");
    CHECK(results.comparisons[0].reduction_percent == Approx(100 * (1 - 3.15 / 6.2)));
    CHECK(results.comparisons[0].certain());
    CHECK(has(verdict(results.comparisons[0]),
              "With soft-start the start is 49.2 % lower than with bare (95 %: "));
    CHECK(has(verdict(results.comparisons[0]), "The change is certain (95 %)."));
    CHECK(results.comparisons[1].before == "bare");
    CHECK(results.comparisons[1].interval->contains(0));
    CHECK_FALSE(results.comparisons[1].certain());
    CHECK(has(verdict(results.comparisons[1]), "not certain: take more trials"));
}

TEST_CASE("A start that has grown is told as such") {
    const Results results = results_of(header +
                                       "fridge,new,,0,,,6.0,1.4\nfridge,new,,0,,,6.1,1.4\n"
                                       "fridge,old,,0,,,9.0,1.4\nfridge,old,,0,,,9.1,1.4\n");
    const std::string told = verdict(results.comparisons[0]);
    CHECK(has(told, "49.6 % higher than with new"));
    CHECK(has(told, "3.00 A more ("));
    CHECK(results.comparisons[0].certain());
}

TEST_CASE("One trial gives no interval, and that is said") {
    const Results results = results_of(
        header +
        "fridge,bare,,0,,,6.1,1.4\nfridge,soft-start,,0,,,3.1,1.4\nfridge,soft-start,,0,,,3.2,1.4\n");
    CHECK_FALSE(results.fittings[0].start_a.summary.deviation);
    CHECK_FALSE(results.fittings[0].start_a.interval);
    CHECK(noted(results.fittings[0].notes, "One trial only"));
    CHECK_FALSE(results.comparisons[0].interval);
    CHECK_FALSE(results.comparisons[0].less_a);
    CHECK_FALSE(results.comparisons[0].certain());
    CHECK(noted(results.comparisons[0].notes, "one trial only gives no interval"));
    CHECK(has(verdict(results.comparisons[0]), "by the means alone"));
}

TEST_CASE("Starts that do not vary at all, or far too much, give no interval for a change") {
    const Results still = results_of(header + "fridge,bare,,0,,,6.1,1.4\nfridge,bare,,0,,,6.1,1.4\n" +
                                     "fridge,soft-start,,0,,,3.1,1.4\nfridge,soft-start,,0,,,3.1,1.4\n");
    CHECK_FALSE(still.comparisons[0].interval);
    CHECK(noted(still.comparisons[0].notes, "too little or too much"));
    const Results wild = results_of(header + "fridge,bare,,0,,,3,1\nfridge,bare,,0,,,60,1\n" +
                                    "fridge,soft-start,,0,,,5,1\nfridge,soft-start,,0,,,6,1\n");
    CHECK_FALSE(wild.comparisons[0].interval);
    CHECK(noted(wild.comparisons[0].notes, "too little or too much"));
}

TEST_CASE("A comparison across different voltages is told with them") {
    const Results results =
        results_of(header + "fridge,bare,121,0,,,6.1,1.4\nfridge,bare,121,0,,,6.3,1.4\n" +
                   "fridge,soft-start,113,0,,,3.1,1.4\nfridge,soft-start,113,0,,,3.2,1.4\n");
    CHECK(noted(results.comparisons[0].notes, "Measured at 121 V and 113 V"));
    CHECK_FALSE(noted(results_of(header + front).comparisons[0].notes, "Measured at"));
}

TEST_CASE("An outlier is named with its place and counted") {
    const std::string rows =
        "fridge,bare,,0,,,6.1,1.4\nfridge,bare,,0,,,6.2,1.4\nfridge,bare,,0,,,9.8,1.4\n"
        "fridge,bare,,0,,,6.0,1.4\nfridge,bare,,0,,,6.2,1.4\n";
    const Results results = results_of(header + rows);
    const FittingResult& bare = results.fittings[0];
    CHECK(bare.start_a.outlier == std::size_t{2});
    CHECK(bare.start_a.summary.n == 5);
    CHECK(bare.start_a.summary.mean == Approx(6.86));
    CHECK(noted(bare.notes, "A start of 9.80 A (t.csv:4) stands out"));
    CHECK_FALSE(bare.running_a.outlier);

    const auto running = notes_on(
        "fridge,bare,,0,,,6.1,1.4\nfridge,bare,,0,,,6.2,1.4\nfridge,bare,,0,,,6.3,1.4\nfridge,bare,,0,,,6.0,"
        "2.4\n");
    CHECK(noted(running, "A running current of 2.40 A (t.csv:5) stands out"));
}

TEST_CASE("A reading one digit from others that agree exactly is no outlier") {
    CHECK(notes_on("fridge,bare,,0,,,6.1,1.4\nfridge,bare,,0,,,6.1,1.4\nfridge,bare,,0,,,6.1,1.4\n"
                   "fridge,bare,,0,,,6.2,1.4\n")
              .empty());
}

TEST_CASE("A meter that cannot catch a start gives itself away") {
    CHECK(noted(notes_on("fridge,bare,,0.2,,,1.4,1.4\nfridge,bare,,0.2,,,1.5,1.5\n"), "missed the start"));
    CHECK(noted(notes_on("ac,bare,,0.2,,,60,14\nac,bare,,0.3,,,60,14\nac,bare,,0.4,,,60,14\n"),
                "exactly the same"));
    CHECK(noted(notes_on("ac,bare,,0,,,20,14\nac,bare,,0,,,22,14\n"), "only 1.5 times the running current"));
    CHECK_FALSE(
        noted(notes_on("ac,Soft starter,,0,,,20,14\nac,Soft starter,,0,,,22,14\n"), "times the running"));
    CHECK_FALSE(noted(notes_on("ac,bare,,0,,,50,14\nac,bare,,0,,,52,14\n"), "inrush"));
}

TEST_CASE("Figures made from watts are told to be too low") {
    const Results results = results_of(
        "load,fitting,volts,before_w,start_w,running_w\nac,bare,120,0,4800,1200\nac,bare,120,0,4920,1200\n");
    CHECK(results.fittings[0].start_a.summary.mean == Approx(40.5));
    CHECK(noted(results.fittings[0].notes, "Computed from watts"));
}

TEST_CASE("The table tells each figure, and colour only sets headings apart") {
    const Results results = results_of(header + front);
    const std::string plain = table(results, Emphasis::none);
    CHECK(has(plain, "ac-front, bare, 3 trials at 120 V\n"));
    CHECK(has(plain, "start             A     49.00      1.00   46.52 to 51.48           48.00     50.00\n"));
    CHECK(has(plain, "ac-front, bare to soft-start\n"));
    CHECK_FALSE(has(plain, "\x1b"));
    std::string coloured = table(results, Emphasis::terminal);
    CHECK(has(coloured, "\x1b[1mac-front, bare, 3 trials at 120 V\x1b[0m"));
    for (const std::string code : {"\x1b[0m", "\x1b[1m", "\x1b[2m"})
        for (auto at = coloured.find(code); at != std::string::npos; at = coloured.find(code))
            coloured.erase(at, code.size());
    CHECK(coloured == plain);

    const std::string single = table(results_of(header + "fridge,bare,,0.2,,,1.4,1.4\n"), Emphasis::none);
    CHECK(has(single, "start             A      1.20         -   -  "));
    CHECK(has(single, "\n        "));  // a long note goes on under its first words
    for (std::size_t from = 0, to = 0; from < single.size(); from = to + 1) {
        to = single.find('\n', from);
        CHECK(to - from <= 100);
    }
}

TEST_CASE("The JSON has every figure, and null where there is none") {
    const json full = json::parse(as_json(results_of(header + front)));
    const json& bare = full["fittings"][0];
    CHECK(bare["load"] == "ac-front");
    CHECK(bare["trials"] == 3);
    CHECK(bare["start_a"]["mean"].get<double>() == Approx(49));
    CHECK(bare["start_a"]["values"].size() == 3);
    CHECK(bare["start_a"]["interval_95"].size() == 2);
    CHECK(bare["start_a"]["outlier"].is_null());
    CHECK(bare["voltage_v"] == 120.0);
    CHECK(bare["running_va"]["n"] == 3);
    CHECK(bare["fan_start_a"]["highest"].get<double>() == Approx(5));
    const json& change = full["comparisons"][0];
    CHECK(change["reduction_percent"].get<double>() == Approx(100 * (1 - 14.1 / 49)));
    CHECK(change["certain"] == true);
    CHECK(change["less_a"].get<double>() == Approx(34.9));
    CHECK(change["p"].get<double>() < 0.01);

    const json single = json::parse(as_json(results_of(header + "fridge,bare \xE9t\xE9,,0,,,6.1,1.4\n")));
    CHECK(single["fittings"][0]["start_a"]["deviation"].is_null());
    CHECK(single["fittings"][0]["start_a"]["interval_95"].is_null());
    CHECK_FALSE(single["fittings"][0].contains("start_va"));
    CHECK(single["fittings"][0]["notes"].size() == 1);
    const json outlying = json::parse(as_json(results_of(
        header +
        "fridge,bare,,0,,,6,1\nfridge,bare,,0,,,6.1,1\nfridge,bare,,0,,,6,1\nfridge,bare,,0,,,9.8,1\n")));
    CHECK(outlying["fittings"][0]["start_a"]["outlier"] == 9.8);
}

TEST_CASE("Profiles are stages a configuration accepts, of the fitting measured last") {
    const Results results = results_of(header + front +
                                       "fridge,bare,,0.2,,,6.1,1.4\n"
                                       "ac-rear,bare,,0.2,,2.6,46.7,13.9\n");
    const std::string text = profiles(results);
    const json made = json::parse(text, nullptr, true, true);
    REQUIRE(made["loads"].size() == 3);
    CHECK(made["loads"][0]["id"] == "ac-front");
    CHECK(has(text, "// soft-start, 3 trials at 120 V; not used: bare\n"));
    CHECK(has(text, "// One trial only"));
    CHECK(has(text, "// The fan's start was not read"));
    // Mean 14.1, s 0.1, t(0.95, 2) = 2.9200 from any table: 14.1 + 2.92 * 0.1 * sqrt(4 / 3) = 14.437,
    // upwards.
    CHECK(made["loads"][0]["stages"][1]["start_a"] == 14.5);
    CHECK(made["loads"][0]["stages"][1]["running_a"] == 11.6);
    CHECK(made["loads"][0]["stages"][0]["start_a"] == 4.7);
    CHECK(made["loads"][1]["stages"][0]["start_a"] == 5.9);
    CHECK(made["loads"][1]["stages"][0]["running_a"] == 1.2);
    CHECK(made["loads"][2]["stages"][0]["start_a"] == made["loads"][2]["stages"][0]["running_a"]);

    json rig = json::parse(R"({
        "rig": { "id": "wren" },
        "sources": [ { "id": "shore", "kind": "breaker", "rating_a": 30 } ],
        "meters": [ { "id": "main", "leg": "L1", "current": { "topic": "amps" } } ]
    })");
    for (json load : made["loads"]) {
        load["control"] = "observed";
        rig["loads"].push_back(load);
    }
    const auto read = ampmarshal::daemon::read_configuration(rig.dump());
    REQUIRE(std::holds_alternative<Configuration>(read));
    CHECK(std::get<Configuration>(read).rig.loads[0].stages[1].start_a == 14.5);
}

TEST_CASE("The page shows each trial as a dot and each source as a line, and needs nothing from elsewhere") {
    const std::string html =
        page(results_of(header + front + "fridge,a & <b>,,0.2,,,6.1,1.4\n"),
             {{"30 A pedestal", 90, 28.5}, {"Generator \"old\"", 41.7, 31.7}, {"Big", 500, 475}});
    CHECK(has(html, "7 trials of 2 loads."));
    CHECK(times(html, "<circle class=\"trial\" cx=") == 2 * 7 + 1);  // start and running, and the key below
    CHECK(has(html, "Generator &quot;old&quot;: 41.7 A</text>"));
    // ac-front's starts: the generator, and the pedestal as the first limit above them all.
    CHECK(has(html, "30 A pedestal: 90.0 A</text>"));
    CHECK(has(html, "<p class=\"aside\">Farther to the right: Big, 500.0 A.</p>"));
    // Those two, and the pedestal over what runs; none is near the small figures of the fridge.
    // figures.
    CHECK(times(html, "<line class=\"limit\"") == 3);
    CHECK(has(html, "a &amp; &lt;b&gt;"));
    CHECK_FALSE(has(html, "<b>"));
    CHECK(has(html, "34.90 A less"));
    for (const char* foreign : {"<script", "http:", "https:", "url(", "<link", "<img", "@import"})
        CHECK_FALSE(has(html, foreign));
    CHECK(times(html, "<svg") == times(html, "role=\"img\" aria-label="));
    CHECK(times(html, "<section>") == times(html, "</section>"));
}

TEST_CASE("An outlier is a ring with words, not a colour") {
    const std::string html =
        page(results_of(header + "fridge,bare,,0,,,6,1\nfridge,bare,,0,,,6.1,1\nfridge,bare,,0,,,6,1\n"
                                 "fridge,bare,,0,,,9.8,1\n"),
             {});
    CHECK(has(html, "9.80 A, t.csv:5, stands out</title>"));
    CHECK(has(html, "<strong>Note, bare:</strong> A start of 9.80 A (t.csv:5) stands out"));
    CHECK_FALSE(has(html, "Farther to the right"));
    CHECK_FALSE(has(html, "<line class=\"limit\""));
}
