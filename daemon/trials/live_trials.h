// `ampmarshal trials --from-broker`: a StartGuide on a real meter. Listens to the broker, publishes nothing,
// tells the person what to do, and saves every start as soon as it is over.
#pragma once

#include <cstddef>
#include <string>

namespace ampmarshal::daemon::trials {

struct LiveOptions {
    std::string configuration;
    std::string load;
    std::string fitting = "bare";
    std::size_t starts = 5;
    std::string file;  ///< starts are added to it, if it is one of ours already
};

/// The exit code: 0 all starts are saved, 1 it ended before or could not save, 2 something named is wrong.
int take_live_trials(const LiveOptions& options);

}  // namespace ampmarshal::daemon::trials
