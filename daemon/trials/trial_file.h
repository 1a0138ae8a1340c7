// Trials as people write them down: a CSV file with one start in each row (docs/measure-your-rig.md describes
// the columns). A reader takes one file after another and gives either trials in which everything is checked,
// so that nothing after it needs to doubt a reading, or every mistake at once, each with its place and what
// to do.
#pragma once

#include <cstddef>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace ampmarshal::daemon::trials {

/// What the readings of a file are in.
enum class Unit { amperes, volt_amperes, watts };

/// One start as a meter on the line showed it: each reading holds everything that ran at that moment. It is
/// true that before < fan running < all running <= highest, and that a fan's start is not below its running.
struct Trial {
    std::string place;    ///< "trials.csv:12"
    std::string load;     ///< an id, as in the configuration
    std::string fitting;  ///< what it was measured with: "bare", "soft-start"
    std::optional<double> volts{};
    double before_a = 0;                    ///< before the load was switched on
    std::optional<double> fan_start_a{};    ///< highest while its fan started
    std::optional<double> fan_running_a{};  ///< nothing: the load has no fan that starts first
    double start_a = 0;                     ///< highest of the whole start
    double running_a = 0;                   ///< everything running and settled

    /// What flowed just before the highest reading, and is no part of it.
    double just_before_a() const { return fan_running_a.value_or(before_a); }
};

// Readings taken by hand; more than this is a log, and a log shows no single starts.
inline constexpr std::size_t most_trials = 1000;
inline constexpr std::size_t largest_file_bytes = 1048576;

class TrialReader {
  public:
    /// `file` is how messages call it.
    void read(std::string_view text, const std::string& file);
    /// For a file that cannot be read, or anything else a person must put right.
    void complain(std::string mistake) { mistakes_.push_back(std::move(mistake)); }

    /// To be used only if there are no mistakes.
    const std::vector<Trial>& trials() const { return trials_; }
    Unit unit() const { return unit_.value_or(Unit::amperes); }
    /// Sentences: "trials.csv:12: start_a: "34,7" has a decimal comma; write 34.7".
    const std::vector<std::string>& mistakes() const { return mistakes_; }

  private:
    friend class FileReading;

    std::vector<Trial> trials_;
    std::optional<Unit> unit_;
    std::string unit_file_;  ///< the file that told the unit
    /// Whether the trials of a load and fitting have a fan, and where that was first seen.
    std::map<std::pair<std::string, std::string>, std::pair<bool, std::string>> fans_;
    std::vector<std::string> mistakes_;
};

}  // namespace ampmarshal::daemon::trials
