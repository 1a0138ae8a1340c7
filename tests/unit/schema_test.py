#!/usr/bin/env python3
"""Holds config/ampmarshal.schema.json against the examples and against the cases that the program's own reading is
tested with, so that an editor with the schema and `ampmarshald --check` agree. A case with "schema": false is a mistake
that no schema can see."""
import copy
import json
import pathlib
import re
import sys

import jsonschema

ROOT = pathlib.Path(__file__).resolve().parents[2]


def without_comments(text):
    """Drops // and /* */ comments, but leaves strings alone."""
    pattern = r'("(?:\\.|[^"\\])*")|//[^\n]*|/\*.*?\*/'
    return re.sub(pattern, lambda match: match.group(1) or " ", text, flags=re.DOTALL)


def tokens(pointer):
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]


def changed(document, case):
    document = copy.deepcopy(document)
    changes = [(path, value, False) for path, value in case.get("change", [])]
    if "remove" in case:
        changes.append((case["remove"], None, True))
    for path, value, remove in changes:
        *parents, last = tokens(path)
        place = document
        for token in parents:
            place = place[int(token)] if isinstance(place, list) else place[token]
        last = int(last) if isinstance(place, list) else last
        if remove:
            del place[last]
        elif isinstance(place, list) and last == len(place):
            place.append(value)
        else:
            place[last] = value
    return document


def main():
    schema = json.loads((ROOT / "config/ampmarshal.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    examples = {path.stem: json.loads(without_comments(path.read_text()))
                for path in sorted((ROOT / "config/examples").glob("*.json*"))}
    wrong = []
    for name, document in examples.items():
        wrong += [f"{name}: {error.json_path}: {error.message}" for error in validator.iter_errors(document)]
    cases = json.loads((ROOT / "tests/unit/configuration_cases.json").read_text())
    for case in cases:
        mistaken = not validator.is_valid(changed(examples[case["base"]], case))
        expected = "at" in case and case["schema"]
        if mistaken != expected:
            wrong.append(f"{case['what']}: the schema {'refuses' if mistaken else 'accepts'} it")
    print("\n".join(wrong) or f"{len(examples)} examples and {len(cases)} cases agree")
    return 1 if wrong or len(examples) < 2 else 0


if __name__ == "__main__":
    sys.exit(main())
