"""Section 'Named conditions' of the page: a machine is the machine in which each name is replaced.

Done on the text of the file, so that nothing of the program under test is asked: a name becomes its
condition in brackets, ``seen.NAME`` the same with ``seen.`` before inputs and ``asked.`` before outputs.
"""

from __future__ import annotations

import re
from typing import Any

MachineDict = dict[str, Any]

WORD = re.compile(r"(?<![\w.#])[A-Za-z_]\w*(?:\.[A-Za-z_]\w*)*")
"""A whole name of an expression, dots included."""

CONDITIONS = {
    "when", "unless", "drive", "forward", "back", "while", "never", "always", "then", "keep", "before",
    "first", "since", "reach", "from_anywhere", "expect",
}  # fmt: skip
"""Keys under which a condition stands, whatever the section."""


def written_out(machine: MachineDict) -> MachineDict:
    """The machine without named conditions that means the same."""
    known = {
        name: item if isinstance(item, str) else item["when"]
        for name, item in machine.get("conditions", {}).items()
    }
    return {
        section: item if section == "hazards" else _value(item, machine, known, "")
        for section, item in machine.items()
        if section != "conditions"
    }


def _value(value: Any, machine: MachineDict, known: dict[str, str], key: str) -> Any:
    if isinstance(value, list):
        return [_value(item, machine, known, key) for item in value]
    if isinstance(value, dict):
        pattern = "then" in value or "keep" in value
        found: MachineDict = {}
        for name, item in value.items():
            inner = "condition" if key in ("do", "senses") or name in CONDITIONS else name
            if name == "after" and pattern:
                inner = "condition"
            found[name] = _value(item, machine, known, inner)
        return found
    return _replaced(value, machine, known) if key == "condition" and isinstance(value, str) else value


def _replaced(text: str, machine: MachineDict, known: dict[str, str], *, seen: bool = False) -> str:
    def one(match: re.Match[str]) -> str:
        word = match.group()
        name = word.removeprefix("seen.")
        if name in known:
            return f"({_replaced(known[name], machine, known, seen=seen or word != name)})"
        if seen and word in machine.get("inputs", {}):
            return f"seen.{word}"
        return f"asked.{word}" if seen and word in machine.get("outputs", {}) else word

    return WORD.sub(one, text)
