#include "daemon/log.h"

#include <spdlog/logger.h>
#include <spdlog/sinks/stdout_sinks.h>
#include <sys/stat.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#include <cstdlib>
#include <string>

namespace ampmarshal::daemon {

namespace {

/// systemd.exec(5): JOURNAL_STREAM names the device and inode of the stream to the journal. It is inherited
/// by whatever a service starts, so only the comparison tells whether our standard error still is that
/// stream.
bool is_journal(int fd) {
    const char* stream = std::getenv("JOURNAL_STREAM");
    struct stat ours = {};
    return stream != nullptr && fstat(fd, &ours) == 0 &&
           stream == std::to_string(ours.st_dev) + ":" + std::to_string(ours.st_ino);
}

}  // namespace

Log open_log() {
    const bool to_journal = is_journal(STDERR_FILENO);
    auto logger =
        std::make_shared<spdlog::logger>("ampmarshald", std::make_shared<spdlog::sinks::stderr_sink_st>());
    logger->set_pattern(to_journal ? "%v" : "%H:%M:%S.%e %l: %v");
    logger->flush_on(spdlog::level::info);
    return [logger, to_journal](Severity severity, std::string_view text) {
        const bool warns = severity == Severity::warning;
        const auto level = warns ? spdlog::level::warn : spdlog::level::info;
        // As it is, never as a format: that would take four seconds to build.
        logger->log(level,
                    to_journal ? std::string(warns ? SD_WARNING : SD_INFO).append(text) : std::string(text));
    };
}

}  // namespace ampmarshal::daemon
