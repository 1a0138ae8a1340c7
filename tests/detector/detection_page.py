#!/usr/bin/env python3
"""The tables in a document are what detector_table prints. A table of the document that follows a line
"<!-- detector_table ARGUMENT -->" is made anew and compared.

    detection_page.py PROGRAM DOCUMENT          exit code 1 and the difference, if there is one
    detection_page.py PROGRAM DOCUMENT --write  puts the program's tables into the document
"""
import difflib
import pathlib
import re
import subprocess
import sys

TABLE = re.compile(r"<!-- detector_table (?P<table>\w+) -->\n(?:\|[^\n]*\n)*")


def main(program, document, write=None):
    def made(found):
        done = subprocess.run([program, found["table"]], capture_output=True, text=True, check=True)
        return f"<!-- detector_table {found['table']} -->\n{done.stdout}"

    path = pathlib.Path(document)
    shown = path.read_text(encoding="utf-8")
    tables = len(TABLE.findall(shown))
    true = TABLE.sub(made, shown)
    if write:
        path.write_text(true, encoding="utf-8")
        return 0
    if not tables:
        print(f"{document}: shows no table; is it the right document?")
        return 1
    sys.stdout.writelines(difflib.unified_diff(shown.splitlines(True), true.splitlines(True), "shown", "printed"))
    return 0 if shown == true else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
