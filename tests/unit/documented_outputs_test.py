#!/usr/bin/env python3
"""What a document shows of a program's output is what the program prints. A block of the document that begins with
"$ ampmarshal" is run as it stands, in the folder of the examples, and compared.

    documented_outputs_test.py PROGRAM EXAMPLES DOCUMENT          exit code 1 and the difference, if there is one
    documented_outputs_test.py PROGRAM EXAMPLES DOCUMENT --write  puts the program's output into the document
"""
import difflib
import os
import pathlib
import re
import shlex
import subprocess
import sys

BLOCK = re.compile(r"```console\n\$ ampmarshal (?P<arguments>[^\n]*)\n(?P<output>.*?)```\n", re.DOTALL)


def printed(program, examples, arguments):
    done = subprocess.run([program, *shlex.split(arguments)], cwd=examples, capture_output=True, text=True,
                          env={**os.environ, "NO_COLOR": "1"}, timeout=60, check=False)
    return done.stderr + done.stdout


def main(program, examples, document, write=None):
    path = pathlib.Path(document)
    shown = path.read_text(encoding="utf-8")
    blocks = len(BLOCK.findall(shown))
    true = BLOCK.sub(lambda m: f"```console\n$ ampmarshal {m['arguments']}\n"
                     f"{printed(program, examples, m['arguments'])}```\n", shown)
    if write:
        path.write_text(true, encoding="utf-8")
        return 0
    if not blocks:
        print(f"{document}: shows no output; is it the right document?")
        return 1
    sys.stdout.writelines(difflib.unified_diff(shown.splitlines(True), true.splitlines(True), "shown", "printed"))
    return 0 if shown == true else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
