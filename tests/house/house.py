#!/usr/bin/env python3
"""The rules of the house that no compiler checks. Each check takes the project's top folder and returns what it finds
wrong, one line a fault, with the place first.

    house.py TOP CHECK      runs one check; exit code 1 if it finds something
    house.py TOP --list     names the checks
"""
import pathlib
import re
import subprocess
import sys
import tempfile

CODE = (".cpp", ".h")
NOT_OURS = {".git", ".cache", ".vscode", ".idea", "__pycache__"}


def files(top, folder="", endings=None):
    """Files below a folder, as paths from the top; nothing built, nothing hidden by tools."""
    for path in sorted((top / folder).rglob("*")):
        name = path.relative_to(top)
        if not path.is_file() or NOT_OURS & set(name.parts) or name.parts[0].startswith("build"):
            continue
        if endings is None or path.suffix in endings:
            yield name


def text(top, name):
    return (top / name).read_text(encoding="utf-8", errors="replace")


def code_lines(top, name):
    """Numbered lines without comments. Strings stay, which is good enough here."""
    source = re.sub(r"/\*.*?\*/", lambda m: "\n" * m.group().count("\n"), text(top, name), flags=re.DOTALL)
    for number, line in enumerate(source.splitlines(), 1):
        yield number, line.split("//")[0] if "://" not in line else line


def includes(top, name):
    for number, line in code_lines(top, name):
        found = re.match(r'\s*#\s*include\s*([<"])([^>"]+)[>"]', line)
        if found:
            yield number, found.group(1), found.group(2)


# --- rules/ is pure ---

STANDARD_HEADERS_OF_RULES = set(
    # <cstdio> is there for snprintf; what else is in it, IMPURE finds.
    "algorithm array bit charconv chrono cmath compare cstddef cstdint cstdio cstring functional initializer_list iterator "
    "limits map memory numbers numeric optional set span string string_view tuple type_traits utility variant "
    "vector".split())

IMPURE = {
    r"\w*_clock\b": "reads a clock",
    r"::now\s*\(": "reads a clock",
    r"\b(clock_gettime|gettimeofday|localtime|gmtime|time\s*\(\s*(nullptr|NULL|0)\s*\))": "reads a clock",
    r"\bstd::(jthread|thread|mutex|atomic|async|future|condition_variable|this_thread)\b": "knows threads",
    r"\bstd::(\w*fstream|filesystem|cout|cerr|clog|random_device)\b": "touches the outside",
    r"\b(fopen|freopen|fwrite|fputs|printf|fprintf|puts|perror|getenv|socket|recv|system)\s*\(": "touches the outside",
    r"\b(spdlog|mosquitto|nlohmann|sqlite3)\w*": "knows a library",
    r"^\s*(static|thread_local)\s+(?!const\b|constexpr\b)[\w:<>, ]+\w\s*(=[^=]|\{|;)": "keeps state of its own",
}


def rules_are_pure(top):
    for name in files(top, "rules", CODE):
        for number, mark, header in includes(top, name):
            if mark == "<" and header not in STANDARD_HEADERS_OF_RULES:
                yield f"{name}:{number}: <{header}> is not among the headers that rules/ may use"
        for number, line in code_lines(top, name):
            for pattern, why in IMPURE.items():
                if re.search(pattern, line):
                    yield f"{name}:{number}: {why}: {line.strip()}"


def rules_link_nothing(top):
    build = re.sub(r"#.*", "", text(top, "rules/CMakeLists.txt"))
    links = re.findall(r"target_link_libraries\s*\(\s*(\w+)([^)]*)\)", build)
    if not links:
        yield "rules/CMakeLists.txt: no target_link_libraries found; this check no longer understands it"
    for target, rest in links:
        for word in rest.split():
            if word not in ("PRIVATE", "PUBLIC", "INTERFACE", "ampmarshal_build_flags"):
                yield f"rules/CMakeLists.txt: {target} links {word}; rules/ has the standard library and no more"
    for word in ("find_package", "pkg_check_modules", "link_libraries", "include_directories"):
        for found in re.findall(rf"(?<![\w]){word}\b", build):
            yield f"rules/CMakeLists.txt: {found} has no place in rules/"


# --- dependencies point one way ---

MAY_INCLUDE = {
    "rules": {"rules"},
    "adapters": {"adapters", "rules"},
    "daemon": {"daemon", "adapters", "rules"},
}
PLAIN_TYPES_FOR_THE_VIRTUAL_RIG = {"rules/time.h", "rules/legs.h"}


def dependencies_point_one_way(top):
    for folder, allowed in MAY_INCLUDE.items():
        for name in files(top, folder, CODE):
            for number, mark, header in includes(top, name):
                if mark == '"' and header.split("/")[0] not in allowed:
                    yield f"{name}:{number}: {folder}/ includes {header}"


def virtual_rig_is_independent(top):
    for name in files(top, "adapters/virtual_rig", CODE):
        for number, mark, header in includes(top, name):
            if header.startswith("rules/") and header not in PLAIN_TYPES_FOR_THE_VIRTUAL_RIG:
                yield f"{name}:{number}: {header}: a rig that shares the rules' arithmetic proves nothing about it"


# --- the tree reads well ---

# Written so that this file does not find itself.
FORBIDDEN = {
    r"\b(TO" r"DO|FIX" r"ME|XX" r"X)\b": "unfinished",
    r"(?<![\w.}$~*-])/(home|root|work|Users|mnt)" r"/\w": "a path of one person's machine",
}
FORBIDDEN_NAMES = re.compile(r"(^|_|/)(ut" r"ils?|com" r"mon|help" r"ers?|mana" r"ger|misc)(_|\.|/|$)")
TEXT = {".cpp", ".h", ".py", ".txt", ".cmake", ".json", ".jsonc", ".md", ".service", "", ".html", ".css", ".js"}


def nothing_unfinished(top):
    for name in files(top, "", TEXT):
        for number, line in enumerate(text(top, name).splitlines(), 1):
            for pattern, why in FORBIDDEN.items():
                found = re.search(pattern, line)
                if found:
                    yield f"{name}:{number}: {why}: {found.group()}"


def files_are_named_for_their_concept(top):
    for name in files(top):
        if FORBIDDEN_NAMES.search(str(name).lower()):
            yield f"{name}: name the file for its concept"


def headers_open_with_their_purpose(top):
    for name in files(top, "", (".h",)):
        lines = text(top, name).splitlines()
        comment = next((n for n, line in enumerate(lines) if not line.startswith("//")), len(lines))
        if comment == 0:
            yield f"{name}:1: opens without a paragraph on what the header is for"
        if comment >= len(lines) or lines[comment] != "#pragma once":
            yield f"{name}:{comment + 1}: #pragma once must follow the opening paragraph"


LONGEST_FUNCTION = 70


def functions_are_short(top):
    """clang-format puts the first line and the closing brace of a function outside a class into column 0."""
    for folder in MAY_INCLUDE:
        for name in files(top, folder, CODE):
            began = None
            for number, line in code_lines(top, name):
                if re.match(r"[A-Za-z~\[]", line):
                    is_type = re.match(r"(template.*>\s*)?(namespace|struct|class|enum|union|extern)\b", line)
                    began = None if is_type else number
                elif line.rstrip() == "}" and began is not None:
                    if number - began + 1 > LONGEST_FUNCTION:
                        yield f"{name}:{began}: a function of {number - began + 1} lines"
                    began = None


# --- requirements and their tests ---

def named_tests(top):
    """Every Catch2 case, and every test that CMake adds by name."""
    names = set()
    for name in files(top, "tests", (".cpp",)):
        for strings in re.findall(r'(?:TEST_CASE|SCENARIO)\s*\(\s*((?:"(?:[^"\\]|\\.)*"\s*)+)', text(top, name)):
            parts = re.findall(r'"((?:[^"\\]|\\.)*)"', strings)
            names.add("".join(parts).replace('\\"', '"'))
    for name in files(top, "tests", (".txt",)):
        names.update(re.findall(r'(?:NAME\s|house_check\(\w+\s|house_test\()\s*"([^"]+)"', text(top, name)))
    return names


def requirements_have_tests(top):
    page = "docs/requirements.md"
    known = named_tests(top)
    seen = set()
    for number, line in enumerate(text(top, page).splitlines(), 1):
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if not re.match(r"\|\s*[A-Z]+-\d+\s*\|", line):
            continue
        if len(cells) != 4:
            yield f"{page}:{number}: a requirement has four cells: ID, requirement, must, must not"
            continue
        if cells[0] in seen:
            yield f"{page}:{number}: {cells[0]} is there twice"
        seen.add(cells[0])
        for cell in cells[2:]:
            tests = re.findall(r"`([^`]+)`", cell)
            if not tests:
                yield f"{page}:{number}: {cells[0]} has a cell that names no test"
            for test in tests:
                if test not in known and not (top / test).is_file():
                    yield f"{page}:{number}: {cells[0]} names a test that does not exist: {test}"
    if not seen:
        yield f"{page}: no requirements found; this check no longer understands it"


# --- the systemd unit agrees with the program ---

UNIT = "systemd/ampmarshald.service"
WORST_EXPOSURE = 15  # in tenths, as `systemd-analyze security` counts


def unit_agrees_with_the_program(top):
    unit = dict(re.findall(r"^(\w+)=(.*)$", text(top, UNIT), flags=re.MULTILINE))
    program = "".join(text(top, name) for name in files(top, "daemon", (".cpp",)))

    def wants(fact, remedy):
        if not fact:
            yield f"{UNIT}: {remedy}"

    yield from wants(unit.get("Type") == "notify" and '"READY=1"' in program,
                     'Type=notify and sd_notify(0, "READY=1") belong together')
    yield from wants('"STOPPING=1"' in program, "the program no longer tells that it stops")
    yield from wants(unit.get("TimeoutStartSec") == "infinity",
                     "ready comes with the first connection to the broker, so starting must have no time limit")
    yield from wants('"WATCHDOG=1"' in program and "sd_watchdog_enabled" in program
                     and re.fullmatch(r"\d+", unit.get("WatchdogSec", "")),
                     "WatchdogSec=, and a program that asks for it and feeds WATCHDOG=1, belong together")
    yield from wants("HUP" in unit.get("ExecReload", "") and "SIGHUP" in program,
                     "ExecReload sends SIGHUP, and the program must listen to it")
    yield from wants("SIGTERM" in program and unit.get("KillSignal", "SIGTERM") == "SIGTERM",
                     "the program holds its loads on SIGTERM")
    wrong = re.search(r"exit_wrong\s*=\s*(\d+)", program)
    yield from wants(wrong and unit.get("RestartPreventExitStatus") == wrong[1],
                     "a wrong configuration is not cured by starting again: RestartPreventExitStatus")
    path = re.search(r'path = "(/etc/[^"]+)"', program)
    start = unit.get("ExecStart", "").split()
    yield from wants(path and start[1:] in ([], [path[1]]), "ExecStart must read the program's default configuration")
    yield from wants(start and start[0].endswith("ampmarshald"), "ExecStart must start ampmarshald")
    yield from what_systemd_says(text(top, UNIT))


def what_systemd_says(unit):
    """It passes over settings that it does not know, so a misspelt one would be missed without a word."""
    with tempfile.TemporaryDirectory() as folder:  # the program need not be installed
        copy = pathlib.Path(folder) / "ampmarshald.service"
        copy.write_text(re.sub(r"^ExecStart=.*", "ExecStart=/bin/true", unit, flags=re.MULTILINE), encoding="utf-8")
        ran = subprocess.run(["systemd-analyze", "verify", str(copy)], capture_output=True, text=True)
    for line in (ran.stdout + ran.stderr).splitlines():
        if "ampmarshald.service" in line:
            yield f"{UNIT}: {line}"


def unit_is_sandboxed(top):
    ran = subprocess.run(["systemd-analyze", "security", "--offline=true", f"--threshold={WORST_EXPOSURE}",
                          "--no-pager", str(top / UNIT)], capture_output=True, text=True)
    if ran.returncode != 0:
        yield f"{UNIT}: more exposed than {WORST_EXPOSURE / 10}: {(ran.stdout + ran.stderr).strip()[-300:]}"
    for setting in ("DynamicUser=yes", "ProtectSystem=strict", "NoNewPrivileges=yes", "SystemCallFilter=@system-service"):
        if setting not in text(top, UNIT).splitlines():
            yield f"{UNIT}: {setting} is missing"


CHECKS = {check.__name__: check for check in (
    rules_are_pure, rules_link_nothing, dependencies_point_one_way, virtual_rig_is_independent, nothing_unfinished,
    files_are_named_for_their_concept, headers_open_with_their_purpose, functions_are_short, requirements_have_tests,
    unit_agrees_with_the_program, unit_is_sandboxed)}


def main():
    if len(sys.argv) != 3 or (sys.argv[2] not in CHECKS and sys.argv[2] != "--list"):
        sys.exit(__doc__)
    if sys.argv[2] == "--list":
        print("\n".join(CHECKS))
        return
    findings = list(CHECKS[sys.argv[2]](pathlib.Path(sys.argv[1]).resolve()))
    print("\n".join(findings))
    sys.exit(1 if findings else 0)


if __name__ == "__main__":
    main()
