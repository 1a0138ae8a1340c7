#include "daemon/trials/trial_file.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

namespace ampmarshal::daemon::trials {

namespace {

// More than the largest supply of a rig lets flow, even into a start.
constexpr double largest_a = 1000;
// Less than the last digit of any clamp meter: nothing began to run.
constexpr double least_rise_a = 0.005;
constexpr double least_v = 80;
constexpr double most_v = 280;
constexpr std::size_t longest_load = 64;
constexpr std::size_t longest_fitting = 40;

enum Column : std::size_t { load, fitting, volts, before, fan_start, fan_running, start, running, note };
constexpr std::size_t columns = 9;
constexpr std::array<const char*, columns> column_names = {
    "load", "fitting", "volts", "before", "fan_start", "fan_running", "start", "running", "note"};
constexpr bool is_reading(std::size_t column) {
    return column >= before && column <= running;
}

constexpr const char* column_help =
    "the columns are load, fitting, before_a, start_a, running_a and, where there is something to write, "
    "fan_start_a, fan_running_a, volts and note; readings may end in _va or _w instead of _a";

constexpr std::array<std::pair<std::string_view, Unit>, 3> endings = {
    {{"_a", Unit::amperes}, {"_va", Unit::volt_amperes}, {"_w", Unit::watts}}};

const char* ending(Unit unit) {
    return unit == Unit::amperes ? "_a" : unit == Unit::watts ? "_w" : "_va";
}

std::string_view trimmed(std::string_view text) {
    constexpr std::string_view blank = " \t\r";
    const auto from = text.find_first_not_of(blank);
    if (from == std::string_view::npos) return {};
    return text.substr(from, text.find_last_not_of(blank) - from + 1);
}

bool all_digits(std::string_view text) {
    return !text.empty() && text.find_first_not_of("0123456789") == std::string_view::npos;
}

/// "34,7": digits, one comma, digits.
bool has_decimal_comma(std::string_view text) {
    const auto comma = text.find(',');
    return comma != std::string_view::npos && all_digits(text.substr(0, comma)) &&
           all_digits(text.substr(comma + 1));
}

/// Nothing if the text is not a number and nothing else.
std::optional<double> number(std::string_view text) {
    double value = 0;
    const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), value);
    if (fault != std::errc{} || end != text.data() + text.size() || !std::isfinite(value))
        return std::nullopt;
    return value;
}

std::string as_written(double value) {
    std::array<char, 32> text{};
    return {text.data(), std::to_chars(text.data(), text.data() + text.size(), value).ptr};
}

/// As messages show what stands in the file: never long, and nothing in it moves a terminal's cursor.
std::string in_quotes(std::string_view text) {
    constexpr std::size_t longest = 40;
    std::string shown(text.substr(0, longest));
    for (char& c : shown)
        if (static_cast<unsigned char>(c) < ' ' || c == 0x7f) c = '?';
    return '"' + shown + (text.size() > longest ? "..." : "") + '"';
}

/// Cells of one line; nothing if a quote is not closed.
std::optional<std::vector<std::string>> cells_of(std::string_view line, char separator) {
    std::vector<std::string> cells(1);
    bool quoted = false;
    for (std::size_t i = 0; i < line.size(); ++i) {
        const char c = line[i];
        if (c == '"' && quoted && i + 1 < line.size() && line[i + 1] == '"') {
            cells.back() += '"';
            ++i;
        } else if (c == '"') {
            quoted = !quoted;
        } else if (c == separator && !quoted) {
            cells.emplace_back();
        } else {
            cells.back() += c;
        }
    }
    if (quoted) return std::nullopt;
    for (auto& cell : cells)
        cell = trimmed(cell);
    return cells;
}

}  // namespace

/// One file while it is being read.
class FileReading {
  public:
    FileReading(TrialReader& reader, const std::string& file) : reader_(reader), file_(file) {}

    /// False: the rest of the file makes no sense.
    bool header(std::string_view line, std::size_t line_number);
    void row(std::string_view line, std::size_t line_number);

  private:
    void mistake(const std::string& what) { reader_.complain(place_ + ": " + what); }
    void mistake(std::size_t column, const std::string& what) { mistake(title(column) + ": " + what); }
    std::string title(std::size_t column) const {
        return is_reading(column) ? std::string(column_names[column]) + ending(*reader_.unit_)
                                  : column_names[column];
    }

    void header_cell(std::string_view cell, std::size_t position);
    bool settle_unit(Unit unit);
    void wrong_width(const std::vector<std::string>& cells);

    std::string_view text_at(std::size_t column) const {
        return positions_[column] ? std::string_view(cells_[*positions_[column]]) : std::string_view();
    }
    std::string label(std::size_t column, std::size_t longest);
    /// Nothing where the cell is empty, or mistaken (then `sound_` says so).
    std::optional<double> figure(std::size_t column);
    std::optional<double> current(std::size_t column, std::optional<double> at_volts);
    void reject_disorder(const Trial& trial);
    void reject_mixed_fans(const Trial& trial);

    TrialReader& reader_;
    const std::string& file_;
    std::string place_;
    char separator_ = ',';
    std::array<std::optional<std::size_t>, columns> positions_{};
    std::size_t width_ = 0;
    std::vector<std::string> cells_;  ///< of the row being read
    bool sound_ = true;               ///< the header, then the row being read
};

bool FileReading::settle_unit(Unit unit) {
    if (!reader_.unit_) {
        reader_.unit_ = unit;
        reader_.unit_file_ = file_;
    }
    return *reader_.unit_ == unit;
}

void FileReading::header_cell(std::string_view cell, std::size_t position) {
    std::string name(cell);
    std::transform(name.begin(), name.end(), name.begin(),
                   [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
    const auto claim = [&](std::size_t column) {
        if (positions_[column]) {
            sound_ = false;
            mistake("column " + in_quotes(name) + " stands twice; keep one");
        }
        positions_[column] = position;
    };
    for (std::size_t column = 0; column < columns; ++column) {
        if (!is_reading(column)) {
            if (name == column_names[column]) return claim(column);
            continue;
        }
        for (const auto& [tail, unit] : endings) {
            if (name != std::string(column_names[column]) + std::string(tail)) continue;
            if (!settle_unit(unit)) {
                sound_ = false;
                mistake("column " + in_quotes(name) + " is in another unit than the columns that end in " +
                        ending(*reader_.unit_) +
                        (reader_.unit_file_ == file_ ? "" : " in " + reader_.unit_file_) +
                        "; give all readings in one unit");
            }
            return claim(column);
        }
    }
    sound_ = false;
    mistake("column " + (name.empty() ? std::to_string(position + 1) + " without a name" : in_quotes(name)) +
            " is not known; " + column_help);
}

bool FileReading::header(std::string_view line, std::size_t line_number) {
    place_ = file_ + ":" + std::to_string(line_number);
    // What a spreadsheet separates with depends on its country; the header has no other use for these.
    for (char c : {',', ';', '\t'}) {
        if (line.find(c) == std::string_view::npos) continue;
        separator_ = c;
        break;
    }
    const auto cells = cells_of(line, separator_);
    if (!cells) {
        mistake("a quote is not closed; close it on the same line");
        return false;
    }
    width_ = cells->size();
    for (std::size_t i = 0; i < width_; ++i)
        header_cell((*cells)[i], i);
    // Columns are missed only where the others are right: a wrong name has been told already.
    for (std::size_t column : {load, fitting, before, start, running}) {
        if (positions_[column] || !sound_) continue;
        mistake(std::string("there is no column ") + column_names[column] + (is_reading(column) ? "_a" : "") +
                "; " + column_help);
        return false;
    }
    if (sound_ && *reader_.unit_ != Unit::amperes && !positions_[volts]) {
        mistake(std::string("readings in ") + (*reader_.unit_ == Unit::watts ? "W" : "VA") +
                " need a column volts; add the line voltage of each trial");
        return false;
    }
    return sound_;
}

void FileReading::wrong_width(const std::vector<std::string>& cells) {
    const std::string counts =
        std::to_string(cells.size()) + " fields where the header has " + std::to_string(width_);
    // "34,7" between commas becomes two fields. Volts are seldom written with a fraction.
    for (std::size_t column = before; column <= running && cells.size() > width_; ++column) {
        const auto position = positions_[column];
        if (!position || !all_digits(cells[*position]) || !all_digits(cells[*position + 1])) continue;
        return mistake(column, "has a decimal comma, it seems (" + counts + "); write " + cells[*position] +
                                   "." + cells[*position + 1]);
    }
    mistake(counts + "; leave a field empty where there is no reading, put text with a separator in quotes");
}

std::string FileReading::label(std::size_t column, std::size_t longest) {
    std::string text(text_at(column));
    const bool printable =
        std::none_of(text.begin(), text.end(), [](unsigned char c) { return c < ' ' || c == 0x7f; });
    if (text.empty()) {
        mistake(column, std::string("is empty; ") + (column == load ? "name the load by its id"
                                                                    : "say what it was measured with, "
                                                                      "for instance bare"));
        sound_ = false;
    } else if (text.size() > longest || !printable) {
        mistake(column, "is not a text of 1 to " + std::to_string(longest) + " bytes; shorten it");
        sound_ = false;
    }
    return text;
}

std::optional<double> FileReading::figure(std::size_t column) {
    const std::string_view text = text_at(column);
    if (text.empty()) return std::nullopt;
    const auto value = number(text);
    if (value && *value >= 0) return value;
    sound_ = false;
    const std::string found = in_quotes(text);
    if (value) {
        mistake(column, found + " is negative; turn the clamp round or leave the sign out");
    } else if (has_decimal_comma(text)) {
        std::string with_point(text);
        with_point[with_point.find(',')] = '.';
        mistake(column, found + " has a decimal comma; write " + with_point);
    } else {
        mistake(column,
                found + " is not a number; write digits with a decimal point, as in 34.69, and no unit");
    }
    return std::nullopt;
}

std::optional<double> FileReading::current(std::size_t column, std::optional<double> at_volts) {
    const auto value = figure(column);
    if (!value) return std::nullopt;
    const double amperes = *reader_.unit_ == Unit::amperes ? *value : *value / at_volts.value_or(most_v);
    if (amperes <= largest_a) return amperes;
    sound_ = false;
    mistake(column, in_quotes(text_at(column)) + " is more than " + as_written(largest_a) +
                        " A; look for a missing decimal point");
    return std::nullopt;
}

void FileReading::reject_disorder(const Trial& t) {
    const auto reject = [&](std::size_t column, const std::string& what) {
        sound_ = false;
        mistake(column, in_quotes(text_at(column)) + what);
    };
    const std::string again = "; measure again with nothing else switching";
    if (t.fan_running_a && *t.fan_running_a < t.before_a + least_rise_a)
        reject(fan_running, " is not above " + title(before) + ": the fan did not run" + again);
    if (t.fan_start_a && t.fan_running_a && *t.fan_start_a < *t.fan_running_a)
        reject(fan_start,
               " is below " + title(fan_running) + "; give the highest reading of the fan's start");
    if (t.running_a < t.just_before_a() + least_rise_a)
        reject(running, " is not above " + title(t.fan_running_a ? fan_running : before) +
                            ": the load did not run" + again);
    if (t.start_a < t.running_a)
        reject(start,
               " is below " + title(running) +
                   "; give the highest reading of the whole start, taken with a meter that catches inrush");
}

void FileReading::reject_mixed_fans(const Trial& t) {
    const auto [seen, is_first] =
        reader_.fans_.try_emplace({t.load, t.fitting}, t.fan_running_a.has_value(), place_);
    if (is_first || seen->second.first == t.fan_running_a.has_value()) return;
    mistake(fan_running,
            std::string(t.fan_running_a ? "is given here but not" : "is missing here but given") + " at " +
                seen->second.second +
                "; the start of this load and fitting is counted from it in every trial or in none");
}

void FileReading::row(std::string_view line, std::size_t line_number) {
    place_ = file_ + ":" + std::to_string(line_number);
    sound_ = true;
    auto cells = cells_of(line, separator_);
    if (!cells) return mistake("a quote is not closed; close it on the same line");
    if (cells->size() != width_) return wrong_width(*cells);
    cells_ = std::move(*cells);

    Trial trial{
        .place = place_, .load = label(load, longest_load), .fitting = label(fitting, longest_fitting)};
    if (sound_ &&
        trial.load.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-") != std::string::npos) {
        sound_ = false;
        mistake(load, in_quotes(trial.load) + " is not an id; use a-z, 0-9 and -, as in ac-front");
    }
    trial.volts = figure(volts);
    if (trial.volts && (*trial.volts < least_v || *trial.volts > most_v)) {
        sound_ = false;
        mistake(volts, in_quotes(text_at(volts)) + " is not between " + as_written(least_v) + " and " +
                           as_written(most_v) + "; give the line voltage");
    } else if (text_at(volts).empty() && *reader_.unit_ != Unit::amperes) {
        sound_ = false;
        mistake(volts, "is empty; readings that are not in A need the line voltage");
    }
    for (std::size_t column : {before, start, running}) {
        if (!text_at(column).empty()) continue;
        sound_ = false;
        mistake(column,
                column == before ? "is empty; write 0 if nothing flowed" : "is empty; give the reading");
    }
    trial.before_a = current(before, trial.volts).value_or(0);
    trial.fan_start_a = current(fan_start, trial.volts);
    trial.fan_running_a = current(fan_running, trial.volts);
    trial.start_a = current(start, trial.volts).value_or(0);
    trial.running_a = current(running, trial.volts).value_or(0);
    if (sound_ && trial.fan_start_a && !trial.fan_running_a) {
        sound_ = false;
        mistake(fan_running, "is empty, but " + title(fan_start) +
                                 " is given; give both, or neither if the load has no fan");
    }
    if (sound_) reject_disorder(trial);
    if (sound_) reject_mixed_fans(trial);
    if (sound_) reader_.trials_.push_back(std::move(trial));
}

void TrialReader::read(std::string_view text, const std::string& file) {
    if (text.size() > largest_file_bytes)
        return complain(file + ": is larger than 1 MiB; give readings of single starts, not a log");
    if (text.find('\0') != std::string_view::npos)
        return complain(file + ": is not a text file; save the sheet as CSV (UTF-8)");
    constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";
    if (text.starts_with(byte_order_mark)) text.remove_prefix(byte_order_mark.size());

    FileReading reading(*this, file);
    bool header_read = false;
    std::size_t rows = 0;
    for (std::size_t line_number = 1; !text.empty(); ++line_number) {
        const std::string_view line = text.substr(0, text.find('\n'));
        text.remove_prefix(std::min(text.size(), line.size() + 1));
        const std::string_view content = trimmed(line);
        if (content.empty() || content.front() == '#') continue;
        if (!header_read) {
            if (!reading.header(line, line_number)) return;
            header_read = true;
        } else if (trials_.size() >= most_trials || rows >= most_trials) {
            return complain(file + ":" + std::to_string(line_number) + ": more than " +
                            std::to_string(most_trials) +
                            " trials; give readings of single starts, not a log");
        } else {
            ++rows;
            reading.row(line, line_number);
        }
    }
    if (rows == 0) complain(file + ": has no trials; begin with a header line, then one line for each start");
}

}  // namespace ampmarshal::daemon::trials
