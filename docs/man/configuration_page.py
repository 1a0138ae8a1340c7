#!/usr/bin/env python3
"""Writes ampmarshal.json(5) out of the JSON Schema, so that the manual page says what editors say.

    configuration_page.py SCHEMA > ampmarshal.json.5
"""
import json
import pathlib
import sys

HEAD = r""".TH AMPMARSHAL.JSON 5 2026-11-25 "ampmarshal" "File Formats"
.SH NAME
ampmarshal.json \- configuration of ampmarshald and ampmarshal
.SH DESCRIPTION
%s
.PP
Every member has its unit in its name.
.B ampmarshald \-\-check
.I FILE
tells every mistake with its place.
"""
TAIL = r""".SH SEE ALSO
.BR ampmarshal (1),
.BR ampmarshald (8)
"""


def text(words):
    words = words.replace("\\", "\\e").replace("-", "\\-").replace("`", "")
    return "\\&" + words if words.startswith((".", "'")) else words


class Page:
    def __init__(self, schema):
        self.schema = schema
        self.named = []  # definitions that are told in a section of their own, in the order met
        self.out = []

    def meant(self, node):
        found = self.schema
        for step in node["$ref"].removeprefix("#/").split("/"):
            found = found[step]
        return found

    def resolved(self, node):
        """The node with what it refers to; its own words win."""
        merged = {}
        for part in [*node.get("allOf", []), *([self.meant(node)] if "$ref" in node else [])]:
            merged.update(self.resolved(part))
        merged.update({key: value for key, value in node.items() if key not in ("allOf", "$ref")})
        return merged

    def members(self, node):
        """All members that an object may have, whatever its kind is."""
        if not isinstance(node, dict):
            return {}
        found = {}
        parts = [part for key in ("oneOf", "anyOf", "allOf") for part in node.get(key, [])]
        parts += [node[key] for key in ("then", "else") if key in node]
        parts += [self.meant(node)] if "$ref" in node else []
        for members in [node.get("properties", {}), *map(self.members, parts)]:
            for name, member in members.items():
                if name not in found or found[name] is True or "const" in found[name]:
                    found[name] = member
        return found

    def kind(self, node):
        node = self.resolved(node)
        words = []
        if "enum" in node:
            words.append("one of " + ", ".join(str(value) for value in node["enum"]))
        elif node.get("type") in ("number", "integer"):
            words.append(f"{node['type']} from {node['minimum']} to {node['maximum']}"
                         if "minimum" in node and "maximum" in node else node["type"])
        elif "type" in node:
            words.append({"string": "text", "array": "list"}.get(node["type"], node["type"]))
        default = node.get("default")
        if default not in (None, "", []):
            words.append("default " + (default if isinstance(default, str) else json.dumps(default)))
        return ", ".join(words)

    def list_members(self, node, required):
        for name, member in self.members(node).items():
            member = {} if member is True else member
            whole = self.resolved(member)
            kind = self.kind(member)
            told = whole.get("description", "")
            below = self.below(name, member)
            self.out.append(f".TP\n.B {text(name)}")
            tail = "Must be there." if name in required else ""
            see = f"See {below}." if below else ""
            self.out.append(text(" ".join(word for word in (f"({kind})" if kind else "", told, see, tail) if word)))

    def below(self, name, member):
        """Notes an object, or a list of them, for a section of its own, and tells its title."""
        whole = self.resolved(member)
        listed = [*whole.get("prefixItems", []), whole.get("items", member)]
        inner = listed[-1] if self.members(listed[-1]) else listed[0]
        while "$ref" in inner and "$ref" in self.meant(inner):
            inner = self.meant(inner)
        if not self.members(inner):
            return None
        title = (inner.get("$ref") or name).rsplit("/", 1)[-1].replace("_", " ").upper()
        if title not in [known for known, _ in self.named]:
            self.named.append((title, inner))
        return title

    def page(self):
        self.out.append(".SH MEMBERS")
        self.list_members(self.schema, self.schema.get("required", []))
        for title, node in self.named:  # grows while it is gone through
            whole = self.resolved(node)
            self.out.append(f".SH {text(title)}")
            if "description" in whole:
                self.out.append(text(whole["description"]))
            self.list_members(node, whole.get("required", []))
        return HEAD % text(self.schema["description"]) + "\n".join(self.out) + "\n" + TAIL


if __name__ == "__main__":
    sys.stdout.write(Page(json.loads(pathlib.Path(sys.argv[1]).read_text(encoding="utf-8"))).page())
