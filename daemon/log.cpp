#include "daemon/log.h"

#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>
#include <systemd/sd-daemon.h>

#include <cstdlib>

namespace ampmarshal::daemon {

Log open_log() {
    const bool to_journal = std::getenv("JOURNAL_STREAM") != nullptr;
    auto logger =
        std::make_shared<spdlog::logger>("ampmarshald", std::make_shared<spdlog::sinks::stderr_sink_st>());
    logger->set_pattern(to_journal ? "%v" : "%H:%M:%S.%e %l: %v");
    logger->flush_on(spdlog::level::info);
    return [logger, to_journal](Severity severity, std::string_view text) {
        const bool warns = severity == Severity::warning;
        const auto level = warns ? spdlog::level::warn : spdlog::level::info;
        if (to_journal)
            logger->log(level, "{}{}", warns ? SD_WARNING : SD_INFO, text);
        else
            logger->log(level, "{}", text);
    };
}

}  // namespace ampmarshal::daemon
