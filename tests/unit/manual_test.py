#!/usr/bin/env python3
"""What a person can type is told: every option that --help lists is in the manual page and is completed, the pages are
sound, and the configuration's page tells every member of the schema.

    manual_test.py TOP AMPMARSHAL AMPMARSHALD
"""
import json
import pathlib
import re
import shutil
import subprocess
import sys
import unittest

TOP, AMPMARSHAL, AMPMARSHALD = map(pathlib.Path, sys.argv[1:4])


def output_of(*command):
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout


def options_of(*command):
    """As --help lists them: an option at the start of a line, perhaps behind its letter."""
    return set(re.findall(r"^\s+(?:-\w,)?(--[a-z][a-z-]*)", output_of(*command, "--help"), re.MULTILINE))


def subcommands():
    listed = output_of(AMPMARSHAL, "--help").split("Subcommands:")[1]
    return re.findall(r"^  (\w+)", listed, re.MULTILINE)


def completed(program, *words):
    """What bash offers for the last word."""
    script = ('source "$1"; shift; function=$1; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); "$function"; '
              'printf "%s\\n" "${COMPREPLY[@]}"')
    offered = output_of("bash", "-c", script, "bash", TOP / "config/completion/ampmarshal.bash", f"_{program}",
                        program, *words)
    return set(offered.split())


def configuration_page():
    return output_of(sys.executable, TOP / "docs/man/configuration_page.py", TOP / "config/ampmarshal.schema.json")


class Manual(unittest.TestCase):
    def page(self, name):
        return (TOP / "docs/man" / name).read_text(encoding="utf-8").replace("\\-", "-")

    def test_there_are_subcommands(self):
        self.assertLessEqual({"trials", "plan", "rig"}, set(subcommands()))

    def test_every_option_is_in_the_manual_page(self):
        page = self.page("ampmarshal.1")
        sections = dict(re.findall(r"^\.SH (\w+)\n(.*?)(?=^\.SH )", page, re.MULTILINE | re.DOTALL))
        for option in options_of(AMPMARSHAL):
            self.assertIn(option, page)
        for command in subcommands():
            for option in options_of(AMPMARSHAL, command) - {"--help"}:
                self.assertIn(option, sections[command.upper()], command)
        for option in options_of(AMPMARSHALD):
            self.assertIn(option, self.page("ampmarshald.8"))

    def test_every_option_is_completed_and_nothing_else_that_does_not_exist(self):
        self.assertEqual(completed("ampmarshal", ""), options_of(AMPMARSHAL) | set(subcommands()))
        for command in subcommands():
            self.assertLessEqual(options_of(AMPMARSHAL, command), completed("ampmarshal", command, "--"), command)
        self.assertEqual(completed("ampmarshald", "--"), options_of(AMPMARSHALD))
        self.assertEqual(completed("ampmarshal", "plan", "--cord", ""), set())
        self.assertEqual(completed("ampmarshal", "trials", "--fitting", "s"), {"soft-start"})
        folder = str(TOP / "docs/ma")
        self.assertIn(str(TOP / "docs/man"), completed("ampmarshal", "plan", folder))

    def test_every_help_tells_its_exit_codes_or_an_example(self):
        for command in subcommands():
            self.assertRegex(output_of(AMPMARSHAL, command, "--help"), "Example")
        self.assertIn("Exit codes", output_of(AMPMARSHAL, "--help"))

    def test_every_member_of_the_schema_is_told(self):
        page = configuration_page().replace("\\-", "-")

        def names(node):
            if isinstance(node, dict):
                yield from node.get("properties", {}) if isinstance(node.get("properties"), dict) else ()
                for inner in node.values():
                    yield from names(inner)
            elif isinstance(node, list):
                for inner in node:
                    yield from names(inner)

        schema = json.loads((TOP / "config/ampmarshal.schema.json").read_text(encoding="utf-8"))
        for name in set(names(schema)):
            self.assertIn(f"\n.B {name}\n", page)

    @unittest.skipUnless(shutil.which("mandoc"), "mandoc is not installed")
    def test_the_pages_are_sound(self):
        pages = [*(TOP / "docs/man").glob("*.[158]")]
        self.assertGreaterEqual(len(pages), 2)
        for page in pages:
            found = subprocess.run(["mandoc", "-T", "lint", "-W", "warning", page], capture_output=True, text=True,
                                   check=False)
            self.assertEqual(found.stdout, "")
        found = subprocess.run(["mandoc", "-T", "lint", "-W", "warning"], input=configuration_page(),
                               capture_output=True, text=True, check=False)
        self.assertEqual(found.stdout, "")


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1])
