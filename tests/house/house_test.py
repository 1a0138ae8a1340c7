#!/usr/bin/env python3
"""Every check of house.py must be able to fail: each is shown a small tree that is in order, and that tree with one
fault in it."""
import pathlib
import sys
import tempfile
import unittest

import house

HEADER = "// What this is for.\n#pragma once\n"
UNIT = """[Service]
Type=notify
ExecStart=ampmarshald
ExecReload=/bin/kill -HUP $MAINPID
RestartPreventExitStatus=2
TimeoutStartSec=infinity
WatchdogSec=30
DynamicUser=yes
"""
PROGRAM = """constexpr int exit_wrong = 2;
std::string path = "/etc/ampmarshal/ampmarshal.jsonc";
Loop loop({SIGTERM, SIGHUP}); sd_notify(0, "READY=1"); sd_watchdog_enabled(0, &us); sd_notify(0, "WATCHDOG=1"); sd_notify(0, "STOPPING=1");
"""
IN_ORDER = {
    "rules/CMakeLists.txt": "# links nothing\ntarget_link_libraries(ampmarshal_rules PRIVATE ampmarshal_build_flags)\n",
    "rules/load.h": HEADER + '#include <vector>\n#include "rules/time.h"\n// no thread, no steady_clock\n',
    "adapters/meter.h": HEADER + '#include "rules/load.h"\n',
    "adapters/virtual_rig/motor.h": HEADER + '#include "rules/time.h"\n#include "adapters/link.h"\n',
    "daemon/steward.h": HEADER + '#include "adapters/meter.h"\n',
    "daemon/program.cpp": PROGRAM,
    "tests/unit/load_test.cpp": 'TEST_CASE("a load "\n          "starts") {\n}\nTEST_CASE("a load stops") {\n}\n',
    "tests/unit/CMakeLists.txt": 'add_test(NAME "the schema agrees" COMMAND true)\n',
    "tests/scenarios/001_day.cpp": "\n",
    "docs/requirements.md": "| ID | Requirement | Must | Must not |\n|---|---|---|---|\n"
                            "| DEC-1 | It starts. | `a load starts`; `tests/scenarios/001_day.cpp` | `a load stops` |\n"
                            "| DEC-2 | It agrees. | `the schema agrees` | `a load stops` |\n",
    "systemd/ampmarshald.service": UNIT,
}
LONG_FUNCTION = "void f() {\n" + "    g();\n" * 80 + "}\n"

# check, file, what the file holds instead
FAULTS = [
    ("rules_are_pure", "rules/load.h", HEADER + "#include <thread>\n"),
    ("rules_are_pure", "rules/load.h", HEADER + "#include <fstream>\n"),
    ("rules_are_pure", "rules/load.h", HEADER + "#include <sys/socket.h>\n"),
    ("rules_are_pure", "rules/load.h", HEADER + "#include <spdlog/spdlog.h>\n"),
    ("rules_are_pure", "rules/load.cpp", "auto t = std::chrono::steady_clock::time_point{};\n"),
    ("rules_are_pure", "rules/load.cpp", "auto t = Clock::now();\n"),
    ("rules_are_pure", "rules/load.cpp", "void f() { std::fprintf(stderr, \"\"); }\n"),
    ("rules_are_pure", "rules/load.cpp", "static int count = 0;\n"),
    ("rules_link_nothing", "rules/CMakeLists.txt", "target_link_libraries(ampmarshal_rules PUBLIC spdlog::spdlog)\n"),
    ("rules_link_nothing", "rules/CMakeLists.txt", "add_library(ampmarshal_rules load.cpp)\n"),
    ("rules_link_nothing", "rules/CMakeLists.txt",
     "find_package(Boost)\ntarget_link_libraries(ampmarshal_rules PRIVATE ampmarshal_build_flags)\n"),
    ("dependencies_point_one_way", "rules/load.h", HEADER + '#include "adapters/meter.h"\n'),
    ("dependencies_point_one_way", "adapters/meter.h", HEADER + '#include "daemon/steward.h"\n'),
    ("dependencies_point_one_way", "daemon/steward.h", HEADER + '#include "tests/support/stand.h"\n'),
    ("virtual_rig_is_independent", "adapters/virtual_rig/motor.h", HEADER + '#include "rules/thermal_image.h"\n'),
    ("nothing_unfinished", "docs/page.md", "TO" "DO: write this\n"),
    ("nothing_unfinished", "config/run", "cd /ho" "me/somebody/project\n"),
    ("files_are_named_for_their_concept", "rules/ut" "ils.h", HEADER),
    ("files_are_named_for_their_concept", "adapters/link_man" "ager.cpp", ""),
    ("headers_open_with_their_purpose", "rules/load.h", "#pragma once\n"),
    ("headers_open_with_their_purpose", "rules/load.h", "// What this is for.\n#include <vector>\n"),
    ("functions_are_short", "rules/load.cpp", LONG_FUNCTION),
    ("requirements_have_tests", "docs/requirements.md", "| DEC-1 | It flies. | `a load flies` | `a load stops` |\n"),
    ("requirements_have_tests", "docs/requirements.md", "| DEC-1 | It starts. | `a load starts` | |\n"),
    ("requirements_have_tests", "docs/requirements.md", "| DEC-1 | It starts. | `a load starts` | `a load stops` |\n" * 2),
    ("requirements_have_tests", "docs/requirements.md", "nothing\n"),
    ("unit_agrees_with_the_program", "systemd/ampmarshald.service", UNIT.replace("notify", "simple")),
    ("unit_agrees_with_the_program", "systemd/ampmarshald.service", UNIT.replace("WatchdogSec=30\n", "")),
    ("unit_agrees_with_the_program", "systemd/ampmarshald.service", UNIT.replace("ampmarshald", "ampmarshald x.json")),
    ("unit_agrees_with_the_program", "systemd/ampmarshald.service", UNIT.replace("infinity", "90")),
    ("unit_agrees_with_the_program", "daemon/program.cpp", PROGRAM.replace("WATCHDOG", "WATCHD0G")),
    ("unit_agrees_with_the_program", "daemon/program.cpp", PROGRAM.replace("sd_watchdog_enabled", "f")),
    ("unit_agrees_with_the_program", "daemon/program.cpp", PROGRAM.replace("READY", "RAEDY")),
    ("unit_agrees_with_the_program", "daemon/program.cpp", PROGRAM.replace("SIGHUP", "SIGUSR1")),
    ("unit_agrees_with_the_program", "daemon/program.cpp", PROGRAM.replace("exit_wrong = 2", "exit_wrong = 3")),
    ("unit_agrees_with_the_program", "systemd/ampmarshald.service", UNIT + "ProtectSytem=strict\n"),
    ("unit_is_sandboxed", "systemd/ampmarshald.service", UNIT),
]


class HouseTest(unittest.TestCase):
    def found(self, check, faults):
        with tempfile.TemporaryDirectory(prefix="a house with spaces ") as folder:
            top = pathlib.Path(folder)
            for name, content in {**IN_ORDER, **faults}.items():
                (top / name).parent.mkdir(parents=True, exist_ok=True)
                (top / name).write_text(content, encoding="utf-8")
            return list(house.CHECKS[check](top))

    def test_a_tree_in_order_passes(self):
        for check in house.CHECKS:
            if check == "unit_is_sandboxed":  # only a whole unit passes that
                continue
            with self.subTest(check):
                self.assertEqual(self.found(check, {}), [])

    def test_every_fault_is_found(self):
        for check, name, content in FAULTS:
            with self.subTest(f"{check}: {name}: {content[-60:]!r}"):
                self.assertNotEqual(self.found(check, {name: content}), [])

    def test_every_check_has_a_fault_here(self):
        self.assertEqual(set(house.CHECKS), {check for check, _, _ in FAULTS})


if __name__ == "__main__":
    unittest.main(argv=sys.argv)
