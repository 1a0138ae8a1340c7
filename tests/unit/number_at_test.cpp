#include "adapters/number_at.h"

#include <clocale>
#include <cstdlib>
#include <string>

#include "tests/support/catch.h"

using ampmarshal::adapters::is_json_pointer;
using ampmarshal::adapters::NumberFault;
using ampmarshal::adapters::NumbersAt;
using ampmarshal::adapters::Payload;

using namespace std::string_literals;

namespace {

/// nlohmann-json is the other reader: both must take the same from the same payload.
std::variant<double, NumberFault> number(std::string_view bytes, std::string_view pointer) {
    Payload payload(bytes);
    const auto parsed = payload.number(pointer);
    NumbersAt numbers({std::string(pointer)});
    numbers.read(bytes);
    CHECK(numbers[0] == parsed);
    return parsed;
}

double value(std::string_view bytes, std::string_view pointer) {
    return std::get<double>(number(bytes, pointer));
}

NumberFault fault(std::string_view bytes, std::string_view pointer) {
    return std::get<NumberFault>(number(bytes, pointer));
}

std::string nested(std::size_t levels) {
    return std::string(levels, '[') + "1" + std::string(levels, ']');
}

}  // namespace

TEST_CASE("A plain number is the payload as a whole") {
    CHECK(value("12.5", "") == 12.5);
    CHECK(value(" -3e2\r\n", "") == -300);
    CHECK(value("0", "") == 0);
    CHECK(value("\"12.5\"", "") == 12.5);
}

TEST_CASE("What is not exactly one finite number is not a plain number") {
    for (const char* bytes : {"",     " ",   "12,5",    "12.5 A",  "12.5.1", "1 2",      "+1",
                              "0x10", "nan", "inf",     "-inf",    "1e400",  "true",     "null",
                              "{}",   "[1]", "\"inf\"", "\"1 A\"", "NaN",    "\xff\xfe", "--1"}) {
        INFO(bytes);
        CHECK(fault(bytes, "") == NumberFault::not_a_number);
    }
}

// The document and the pointers of RFC 6901, section 5.
TEST_CASE("A pointer finds what RFC 6901 says it finds") {
    const char* const document = R"({"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
                                     "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8})";
    CHECK(value(document, "/") == 0);
    CHECK(value(document, "/a~1b") == 1);
    CHECK(value(document, "/c%d") == 2);
    CHECK(value(document, "/e^f") == 3);
    CHECK(value(document, "/g|h") == 4);
    CHECK(value(document, "/i\\j") == 5);
    CHECK(value(document, "/k\"l") == 6);
    CHECK(value(document, "/ ") == 7);
    CHECK(value(document, "/m~0n") == 8);
    CHECK(Payload(document).text("/foo/0") == "bar");
    CHECK(value(R"({"~1": 9})", "/~01") == 9);  // section 4: "~01" is "~1", never "/"
}

TEST_CASE("A pointer into a list takes only the index of an entry") {
    CHECK(value("[[1, 2], [3, 4]]", "/1/0") == 3);
    // RFC 6901, section 4: no leading zeros; "-" is the entry after the last, which is not there.
    for (const char* pointer : {"/2", "/01", "/-", "/-1", "/1x", "/", "/99999999999999999999", "/0/0/0"}) {
        INFO(pointer);
        CHECK(fault("[[1, 2], [3, 4]]", pointer) == NumberFault::missing);
    }
}

TEST_CASE("Numbers in JSON strings count, other types do not") {
    CHECK(value(R"({"a": "12.3"})", "/a") == Approx(12.3));
    CHECK(value(R"({"a": " 7 "})", "/a") == 7);
    CHECK(value(R"({"a": 18446744073709551615})", "/a") == Approx(1.8446744073709552e19));
    for (const char* bytes : {R"({"a": true})", R"({"a": null})", R"({"a": {}})", R"({"a": [1]})",
                              R"({"a": ""})", R"({"a": "nan"})", R"({"a": "1e400"})"}) {
        INFO(bytes);
        CHECK(fault(bytes, "/a") == NumberFault::not_a_number);
    }
}

TEST_CASE("Numbers in a flat object are read to the last digit") {
    for (const char* digits : {"0", "-0", "12.3", "12.300", "0.1", "118.445", "9007199254740993", "-273.15",
                               "0.000001", "123456789012345678901234567890", "1.7976931348623157"}) {
        INFO(digits);
        const std::string bytes = std::string(R"({"a":)") + digits + "}";
        CHECK(value(bytes, "/a") == std::strtod(digits, nullptr));
    }
    CHECK(value(R"({"a":1,"a":2})", "/a") == 2);  // of two with one name the parser takes the last
    CHECK(value(R"({"a/b":1})", "/a~1b") == 1);
    CHECK(fault(R"({"a":1})", "/a/b") == NumberFault::missing);
    CHECK(value(R"({"":3})", "/") == 3);
}

// Each of these is compared with the one before it, and differs from a flat object with the same text between
// its numbers in one way.
TEST_CASE("what a message says does not depend on the message before") {
    NumbersAt numbers({"/a", "/b", "/c", "", "/"});
    const std::string usual = R"( {"a":1.5, "other" : 7 ,"b": -2} )";
    const std::string most_digits(Payload::most_bytes, '0');
    for (const std::string& bytes : {R"( {"a":21, "other" : 0 ,"b":    0.25} )"s,
                                     R"( {"b":1.5, "other" : 7 ,"a": -2} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"c": -2} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"a": -2} )"s,
                                     R"( {"a":1.5, "b" : 7 ,"b": -2} )"s,
                                     R"( {"a":1.5, "other" : 7} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": -2)"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": -2} x)"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": -2, "c": 3} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": "-2"} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": 2e3} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": 02} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": .2} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": 2.} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": -} )"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": +2} )"s,
                                     R"( {"a":1.5, "other" : true ,"b": -2} )"s,
                                     R"( {"a":1.5, "other" : {"c":7} ,"b": -2} )"s,
                                     R"( {"a":1.5, "\u0062" : 7} )"s,
                                     R"({"a":1,"b":2,"3":3,"4":4,"5":5,"6":6,"7":7,"8":8})"s,
                                     R"({"a":1,"b":2,"3":3,"4":4,"5":5,"6":6,"7":7,"8":8,"c":9})"s,
                                     R"( {"a":1.5, "other" : 7 ,"b": 0.)" + most_digits + "} ",
                                     R"({"":3})"s,
                                     "{\"\xff\":1}"s,
                                     "{}"s,
                                     "{"s,
                                     "[1]"s,
                                     "12"s,
                                     ""s,
                                     usual}) {
        INFO(bytes);
        numbers.read(usual);
        CHECK(numbers[0] == std::variant<double, NumberFault>(1.5));
        numbers.read(bytes);
        CHECK(numbers[0] == number(bytes, "/a"));
        CHECK(numbers[1] == number(bytes, "/b"));
        CHECK(numbers[2] == number(bytes, "/c"));
        CHECK(numbers[3] == number(bytes, ""));
        CHECK(numbers[4] == number(bytes, "/"));
    }
}

TEST_CASE("What is not JSON is told apart from JSON without the value") {
    CHECK(fault(R"({"b": 1})", "/a") == NumberFault::missing);
    CHECK(fault("12.5", "/a") == NumberFault::missing);
    for (const char* bytes :
         {"", "{", R"({"a": 1} x)", R"({"a": NaN})", R"({"a": 1e400})", "{\"a\": \"\xff\"}"}) {
        INFO(bytes);
        CHECK(fault(bytes, "/a") == NumberFault::not_a_number);
    }
}

TEST_CASE("A payload that is too large or nested too deeply is refused before anything is built from it") {
    const std::string padding(Payload::most_bytes - 1, ' ');
    CHECK(value(padding + "1", "") == 1);
    CHECK(fault(padding + " 1", "") == NumberFault::too_large);
    CHECK(fault(padding + " 1", "/a") == NumberFault::too_large);
    CHECK(Payload(padding + " 1").text("") == std::nullopt);
    CHECK(value(nested(2), "/0/0") == 1);
    CHECK(fault(nested(Payload::most_levels), "") == NumberFault::not_a_number);
    CHECK(fault(nested(Payload::most_levels + 1), "/0") == NumberFault::too_large);
    CHECK(fault(std::string(Payload::most_bytes, '['), "/0") == NumberFault::too_large);
    CHECK(fault(nested(8000), "") == NumberFault::too_large);
    constexpr std::size_t many = 2UL * Payload::most_levels;
    const std::string brackets(many, '[');
    CHECK(value(R"({"text": "\"\\)" + brackets + R"(", "n": 1})", "/n") == 1);
    CHECK(value("[1" + std::string(many, ' ') + ", [2], [3]]", "/2/0") == 3);
    CHECK(fault(std::string(100, ']') + brackets, "/0") == NumberFault::not_a_number);
}

TEST_CASE("Text is what stands at the pointer without its quotes") {
    const char* const document = R"({"s": "ON", "n": 1, "b": true, "z": null, "o": {}})";
    CHECK(Payload("ON").text("") == "ON");
    CHECK(Payload("").text("") == "");
    CHECK(Payload(document).text("/s") == "ON");
    CHECK(Payload(document).text("/n") == "1");
    CHECK(Payload(document).text("/b") == "true");
    CHECK(Payload(document).text("/z") == std::nullopt);
    CHECK(Payload(document).text("/o") == std::nullopt);
    CHECK(Payload(document).text("/x") == std::nullopt);
    CHECK(Payload("ON").text("/s") == std::nullopt);
}

TEST_CASE("One payload answers for several pointers") {
    Payload payload(R"({"current": 1, "voltage": 2})");
    CHECK(std::get<double>(payload.number("/current")) == 1);
    CHECK(std::get<double>(payload.number("/voltage")) == 2);
    CHECK(std::get<NumberFault>(payload.number("/peak")) == NumberFault::missing);
    CHECK(std::get<NumberFault>(payload.number("")) == NumberFault::not_a_number);
}

TEST_CASE("The decimal sign is a point, whatever the locale") {
    const std::string before = std::setlocale(LC_NUMERIC, nullptr);
    const char* const with_comma = std::setlocale(LC_NUMERIC, "de_DE.UTF-8");
    CHECK(value("12.5", "") == 12.5);
    CHECK(value(R"({"a": 12.5})", "/a") == 12.5);
    CHECK(fault("12,5", "") == NumberFault::not_a_number);
    if (with_comma == nullptr)
        WARN("no locale with a decimal comma is installed, so only the C locale was tried");
    std::setlocale(LC_NUMERIC, before.c_str());
}

TEST_CASE("A JSON Pointer is empty or begins with a slash, and escapes with ~0 and ~1 only") {
    for (const char* good : {"", "/", "/a", "/a/0", "/a~1b", "/~0"})
        CHECK(is_json_pointer(good));
    for (const char* bad : {"a", "a/b", "#/a", "/~", "/~2", "/a~"})
        CHECK_FALSE(is_json_pointer(bad));
}
