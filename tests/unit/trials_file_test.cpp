// Which CSV files are read as trials, and what is said about those that are not.
#include <string>
#include <vector>

#include "daemon/trials/trial_file.h"
#include "tests/support/catch.h"

using namespace ampmarshal::daemon::trials;

namespace {

using Sentences = std::vector<std::string>;

const std::string plain_header = "load,fitting,before_a,start_a,running_a\n";
const std::string full_header =
    "load,fitting,volts,before_a,fan_start_a,fan_running_a,start_a,running_a,note\n";

TrialReader read(const std::string& text) {
    TrialReader reader;
    reader.read(text, "t.csv");
    return reader;
}

Sentences mistakes_in(const std::string& text) {
    return read(text).mistakes();
}

/// The one mistake in the file.
std::string mistake_in(const std::string& text) {
    const Sentences mistakes = mistakes_in(text);
    REQUIRE(mistakes.size() == 1);
    return mistakes[0];
}

bool says(const std::string& sentence, const std::string& words) {
    INFO(sentence);
    CHECK(sentence.find(words) != std::string::npos);
    return true;
}

}  // namespace

TEST_CASE("A full row is read with every reading") {
    const TrialReader reader =
        read(full_header + "ac-front,bare,119.5,0.4,5.1,2.9,51.8,14.6,\"hot, noon\"\n");
    CHECK(reader.mistakes().empty());
    REQUIRE(reader.trials().size() == 1);
    const Trial& t = reader.trials()[0];
    CHECK(t.place == "t.csv:2");
    CHECK(t.load == "ac-front");
    CHECK(t.fitting == "bare");
    CHECK(t.volts == 119.5);
    CHECK(t.before_a == 0.4);
    CHECK(t.fan_start_a == 5.1);
    CHECK(t.fan_running_a == 2.9);
    CHECK(t.just_before_a() == 2.9);
    CHECK(t.start_a == 51.8);
    CHECK(t.running_a == 14.6);
}

TEST_CASE("A load without a fan leaves those readings out") {
    for (const std::string& text :
         {plain_header + "fridge,bare,0.2,6.1,1.4\n", full_header + "fridge,bare,,0.2,,,6.1,1.4,\n"}) {
        const TrialReader reader = read(text);
        REQUIRE(reader.trials().size() == 1);
        CHECK_FALSE(reader.trials()[0].fan_start_a);
        CHECK_FALSE(reader.trials()[0].fan_running_a);
        CHECK_FALSE(reader.trials()[0].volts);
        CHECK(reader.trials()[0].just_before_a() == 0.2);
    }
}

TEST_CASE("Comments, blank lines, spaces, another order, capitals and a byte order mark are no trouble") {
    const TrialReader reader = read(
        "\xEF\xBB\xBF# by hand\r\n\r\nFitting , LOAD,running_a,start_a,before_a\r\n"
        "  # second day\r\n bare , fridge ,1.4, 6.1 ,0.2\r\n\"the \"\"old\"\" one\",fridge,1.4,6.1,0.2");
    CHECK(reader.mistakes().empty());
    REQUIRE(reader.trials().size() == 2);
    CHECK(reader.trials()[0].place == "t.csv:5");
    CHECK(reader.trials()[0].load == "fridge");
    CHECK(reader.trials()[0].start_a == 6.1);
    CHECK(reader.trials()[1].fitting == "the \"old\" one");
}

TEST_CASE("Fields may be separated by semicolons or tabs, as some spreadsheets do") {
    for (const char* text : {"load;fitting;before_a;start_a;running_a\nfridge;bare;0.2;6.1;1.4\n",
                             "load\tfitting\tbefore_a\tstart_a\trunning_a\nfridge\tbare\t0.2\t6.1\t1.4\n"}) {
        const TrialReader reader = read(text);
        CHECK(reader.mistakes().empty());
        REQUIRE(reader.trials().size() == 1);
        CHECK(reader.trials()[0].running_a == 1.4);
    }
}

TEST_CASE("VA and W become amperes by the voltage of the trial") {
    const TrialReader va =
        read("load,fitting,volts,before_va,start_va,running_va\nac,bare,120,0,3600,1440\n");
    CHECK(va.unit() == Unit::volt_amperes);
    REQUIRE(va.trials().size() == 1);
    CHECK(va.trials()[0].start_a == Approx(30));
    const TrialReader w = read("load,fitting,volts,before_w,start_w,running_w\nac,bare,240,0,3600,1440\n");
    CHECK(w.unit() == Unit::watts);
    REQUIRE(w.trials().size() == 1);
    CHECK(w.trials()[0].running_a == Approx(6));
}

TEST_CASE("A decimal comma is refused with its line, its column and what to write") {
    CHECK(mistake_in("load;fitting;before_a;start_a;running_a\nfridge;bare;0.2;6,1;1.4\n") ==
          "t.csv:2: start_a: \"6,1\" has a decimal comma; write 6.1");
    CHECK(mistake_in(plain_header + "fridge,bare,0.2,\"6,1\",1.4\n") ==
          "t.csv:2: start_a: \"6,1\" has a decimal comma; write 6.1");
    CHECK(mistake_in(plain_header + "fridge,bare,0.2,6,1,1.4\n") ==
          "t.csv:2: start_a: has a decimal comma, it seems (6 fields where the header has 5); write 6.1");
}

TEST_CASE("What is no reading is refused, and every mistake is told at once") {
    const Sentences mistakes = mistakes_in(plain_header +
                                           "fridge,bare,0.2,6.1 A,1.4\n"
                                           "fridge,bare,-0.2,6.1,1.4\n"
                                           "fridge,bare,,6.1,nan\n"
                                           "fridge,bare,0.2,1e9,inf\n"
                                           "fridge,bare,0.2,6.1,1.4\n"
                                           "fridge,bare,0.2,0x20,1.4\n");
    REQUIRE(mistakes.size() == 7);
    says(mistakes[0], "t.csv:2: start_a: \"6.1 A\" is not a number; write digits with a decimal point");
    says(mistakes[1], "t.csv:3: before_a: \"-0.2\" is negative; turn the clamp round");
    says(mistakes[2], "t.csv:4: before_a: is empty; write 0 if nothing flowed");
    says(mistakes[3], "t.csv:4: running_a: \"nan\" is not a number");
    says(mistakes[4], "t.csv:5: start_a: \"1e9\" is more than 1000 A; look for a missing decimal point");
    says(mistakes[5], "t.csv:5: running_a: \"inf\" is not a number");
    says(mistakes[6], "t.csv:7: start_a: \"0x20\" is not a number");
}

TEST_CASE("Readings of one start have an order, and a row that breaks it is refused") {
    says(mistake_in(plain_header + "fridge,bare,0.2,1.3,1.4\n"),
         "t.csv:2: start_a: \"1.3\" is below running_a; give the highest reading of the whole start");
    says(mistake_in(plain_header + "fridge,bare,1.4,6.1,1.4\n"),
         "running_a: \"1.4\" is not above before_a: the load did not run; measure again");
    says(mistake_in(plain_header + "fridge,bare,0,1e-300,1e-300\n"),
         "running_a: \"1e-300\" is not above before_a");
    says(mistake_in(full_header + "ac,bare,,0.4,5.1,2.9,51,2.9,\n"),
         "running_a: \"2.9\" is not above fan_running_a: the load did not run");
    says(mistake_in(full_header + "ac,bare,,2.9,5.1,2.9,51,14,\n"),
         "fan_running_a: \"2.9\" is not above before_a: the fan did not run");
    says(mistake_in(full_header + "ac,bare,,0.4,2.8,2.9,51,14,\n"),
         "fan_start_a: \"2.8\" is below fan_running_a; give the highest reading of the fan's start");
    says(mistake_in(full_header + "ac,bare,,0.4,5.1,,51,14,\n"),
         "fan_running_a: is empty, but fan_start_a is given; give both, or neither");
    says(mistake_in(full_header + "ac,bare,,0.4,5.1,2.9,,14,\n"), "start_a: is empty; give the reading");
}

TEST_CASE("A fan that is read in some trials of a fitting only is a mistake") {
    says(mistake_in(full_header + "ac,bare,,0.4,5.1,2.9,51,14,\nac,bare,,0.4,,,51,14,\n"),
         "t.csv:3: fan_running_a: is missing here but given at t.csv:2");
    says(mistake_in(full_header + "ac,bare,,0.4,,,51,14,\nac,bare,,0.4,5.1,2.9,51,14,\n"),
         "t.csv:3: fan_running_a: is given here but not at t.csv:2");
    CHECK(mistakes_in(full_header + "ac,bare,,0.4,,,51,14,\nac,soft-start,,0.4,5.1,2.9,17,14,\n").empty());
}

TEST_CASE("Volts are needed where readings are not in amperes, and must be a line voltage") {
    says(mistake_in("load,fitting,before_va,start_va,running_va\nac,bare,0,3600,1440\n"),
         "t.csv:1: readings in VA need a column volts");
    says(mistake_in("load,fitting,before_w,start_w,running_w\nac,bare,0,3600,1440\n"),
         "t.csv:1: readings in W need a column volts");
    says(mistake_in("load,fitting,volts,before_w,start_w,running_w\nac,bare,,0,3600,1440\n"),
         "t.csv:2: volts: is empty; readings that are not in A need the line voltage");
    says(mistake_in(full_header + "ac,bare,12.6,0.4,5.1,2.9,51,14,\n"),
         "t.csv:2: volts: \"12.6\" is not between 80 and 280");
    says(mistake_in(full_header + "ac,bare,480,0.4,5.1,2.9,51,14,\n"), "\"480\" is not between 80 and 280");
}

TEST_CASE("Mixed units are refused, in one file and across files") {
    says(mistake_in("load,fitting,volts,before_a,start_va,running_a\nac,bare,120,0,3600,12\n"),
         "t.csv:1: column \"start_va\" is in another unit than the columns that end in _a; give all readings "
         "in "
         "one unit");
    TrialReader reader;
    reader.read(plain_header + "fridge,bare,0.2,6.1,1.4\n", "amperes.csv");
    reader.read("load,fitting,volts,before_w,start_w,running_w\nac,bare,120,0,3600,1440\n", "watts.csv");
    REQUIRE(reader.mistakes().size() == 3);
    says(
        reader.mistakes()[0],
        "watts.csv:1: column \"before_w\" is in another unit than the columns that end in _a in amperes.csv");
}

TEST_CASE("The header is checked before any row") {
    says(mistake_in("load,fitting,before_a,start_a\nfridge,bare,0.2,6.1\n"),
         "t.csv:1: there is no column running_a; the columns are load, fitting,");
    says(mistake_in("load,before_a,start_a,running_a\nfridge,0.2,6.1,1.4\n"), "there is no column fitting;");
    says(mistake_in("load,fitting,before_a,start_a,running_a,start_a\n"),
         "column \"start_a\" stands twice; keep one");
    says(mistake_in("load,fitting,before_a,start_a,running_a,\n"), "column 6 without a name is not known");
    says(mistake_in("load,\"fitting,before_a\n"), "t.csv:1: a quote is not closed");
    const Sentences unknown =
        mistakes_in("Device,fitting,before,start_a,running_a\nfridge,bare,0.2,6.1,1.4\n");
    REQUIRE(unknown.size() == 2);
    says(unknown[0], "column \"device\" is not known; the columns are");
    says(unknown[1], "column \"before\" is not known");
}

TEST_CASE("Rows that do not fit the header are refused") {
    says(mistake_in(plain_header + "fridge,bare,0.2,6.1\n"),
         "t.csv:2: 4 fields where the header has 5; leave a field empty where there is no reading");
    says(mistake_in(plain_header + "fridge,bare,0.2,6.1,1.4,old\n"), "6 fields where the header has 5");
    says(mistake_in(plain_header + "fridge,\"bare,0.2,6.1,1.4\n"), "t.csv:2: a quote is not closed");
}

TEST_CASE("A load is named by an id and a fitting by a short label") {
    says(mistake_in(plain_header + "Front AC,bare,0.2,6.1,1.4\n"),
         "load: \"Front AC\" is not an id; use a-z, 0-9 and -, as in ac-front");
    says(mistake_in(plain_header + ",bare,0.2,6.1,1.4\n"), "load: is empty; name the load by its id");
    says(mistake_in(plain_header + "fridge,,0.2,6.1,1.4\n"),
         "fitting: is empty; say what it was measured with");
    says(mistake_in(plain_header + "fridge," + std::string(41, 'x') + ",0.2,6.1,1.4\n"),
         "fitting: is not a text of 1 to 40 bytes");
    says(mistake_in(plain_header + "fridge,\x1b[31mred,0.2,6.1,1.4\n"),
         "fitting: is not a text of 1 to 40 bytes");
}

TEST_CASE("What a message quotes cannot steer a terminal or fill it") {
    const std::string steering = mistake_in(plain_header + "fridge,bare,\x1b[2J,6.1,1.4\n");
    CHECK(steering.find('\x1b') == std::string::npos);
    CHECK(mistake_in(plain_header + "fridge,bare," + std::string(5000, 'x') + ",6.1,1.4\n").size() < 300);
}

TEST_CASE("What is no file of trials is refused as a whole") {
    CHECK(mistake_in("") == "t.csv: has no trials; begin with a header line, then one line for each start");
    says(mistake_in("# nothing yet\n"), "has no trials");
    says(mistake_in(plain_header), "has no trials");
    CHECK(mistake_in(std::string("PK\0\3", 4)) == "t.csv: is not a text file; save the sheet as CSV (UTF-8)");
    CHECK(mistake_in(std::string(largest_file_bytes + 1, '#')) ==
          "t.csv: is larger than 1 MiB; give readings of single starts, not a log");
}

TEST_CASE("Ten thousand rows are a log and refused at the first one too many, sound or not") {
    std::string sound = plain_header;
    std::string mistaken = plain_header;
    for (int i = 0; i < 10000; ++i) {
        sound += "fridge,bare,0.2,6.1,1.4\n";
        mistaken += "fridge,bare,0.2,6.1,x\n";
    }
    CHECK(mistake_in(sound) ==
          "t.csv:1002: more than 1000 trials; give readings of single starts, not a log");
    CHECK(mistakes_in(mistaken).size() == 1001);

    TrialReader reader;
    const std::string first = sound.substr(0, plain_header.size() + std::size_t{600} * 24);
    reader.read(first, "first.csv");
    CHECK(reader.trials().size() == 600);
    reader.read(first, "second.csv");
    REQUIRE(reader.mistakes().size() == 1);
    says(reader.mistakes()[0], "second.csv:402: more than 1000 trials");
}
