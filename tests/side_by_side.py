"""Two machine files as one, with names that do not meet: neither can affect the other."""

from __future__ import annotations

import re
from typing import Any

MachineDict = dict[str, Any]

SECTIONS = ("inputs", "outputs", "memory", "parts", "sequences", "requirements")

CONDITIONS = (
    "when", "unless", "hold_off", "while", "drive", "forward", "back", "on", "set", "clear",
    "never", "always", "then", "keep", "before", "first", "since", "reach", "from_anywhere",
)  # fmt: skip
"""Keys whose texts name other things; ``after`` does in requirements, ``fault`` in exclusions."""

_WORD = re.compile(r"(?P<dotted>(?:seen|asked)\.)?(?<![\w.])(?P<at>at )?(?P<word>[A-Za-z_]\w*)")


def side_by_side(left: MachineDict, right: MachineDict) -> MachineDict:
    """Both machines at the scan of the first, their names begun with ``l_`` and ``r_``."""
    found: MachineDict = {"machine": "both", "scan": left["scan"], "interlocks": [], "check": {}}
    for prefix, machine in (("l_", left), ("r_", right)):
        named = _Named(machine, prefix)
        for section in SECTIONS:
            found.setdefault(section, {}).update(named.section(section))
        found["interlocks"] += named.any(machine.get("interlocks", []), "")
        exclude = machine.get("check", {}).get("exclude", [])
        found["check"].setdefault("exclude", []).extend(named.any(exclude, ""))
    return found


class _Named:
    def __init__(self, machine: MachineDict, prefix: str) -> None:
        self.machine = machine
        self.prefix = prefix
        self.names = {name for section in SECTIONS for name in machine.get(section, {})}

    def section(self, section: str) -> MachineDict:
        found: MachineDict = {}
        for name, item in self.machine.get(section, {}).items():
            given = dict(item)
            if section == "requirements" and "after" in given:
                given["after"] = self.text(given["after"])
            found[self.prefix + name] = self.any(given, section)
        return found

    def any(self, item: Any, key: str) -> Any:
        if isinstance(item, dict):
            return self.mapping(item)
        if isinstance(item, list):
            return [self.any(inner, key) for inner in item]
        return self.text(item) if isinstance(item, str) and key in CONDITIONS else item

    def mapping(self, item: MachineDict) -> MachineDict:
        found: MachineDict = {}
        for key, value in item.items():
            if key == "senses":
                found[key] = {self.prefix + name: text for name, text in value.items()}
            elif key == "do":
                found[key] = {self.prefix + name: self.text(text) for name, text in value.items()}
            elif key == "fault":
                found[key] = value if value.startswith("power") else self.prefix + value
            else:
                found[key] = self.any(value, key)
        return found

    def text(self, text: Any) -> Any:
        if not isinstance(text, str):
            return text

        def named(found: re.Match[str]) -> str:
            dotted, word = found["dotted"] or "", found["word"]
            if found["at"] or word not in self.names:
                return found[0]
            return f"{dotted}{self.prefix}{word}"

        return _WORD.sub(named, text)
