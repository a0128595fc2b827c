"""Gives names to conditions of a machine: the same machine, said with the section ``conditions``.

The given machine is the one written out by hand; what comes of it must be the same in everything. Whole
conditions are named and parts of them, inside one another, some twice, and in requirements some as
``seen.NAME``.
"""

from __future__ import annotations

import re
from copy import deepcopy
from random import Random
from typing import Any

from stillgate.controller.expressions.expression import (
    At,
    Binary,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
    walk,
)
from stillgate.controller.expressions.grammar import parse_expression

MachineDict = dict[str, Any]

NAMES = ("auto", "goto", "Still_", "both", "cond_1", "decide", "asked_twice", "u", "U", "sizeof")
"""C keywords, names of the generated C, names that differ in case only."""

REQUIREMENT = ("never", "always", "then", "keep", "before", "first", "since", "reach", "from_anywhere")
DRIVING = ("drive", "forward", "back", "while")


def with_names(machine: MachineDict, chance: Random, share: float = 0.5) -> MachineDict:
    """The machine with names for about a ``share`` of its conditions."""
    return _Naming(deepcopy(machine), chance, share).machine()


def seen_now_and_then(machine: MachineDict, chance: Random) -> MachineDict:
    """Another machine: requirements read some conditions as the controller sees them."""
    given = deepcopy(machine)
    texts = {
        name: item if isinstance(item, str) else item["when"] for name, item in given["conditions"].items()
    }
    apart = {*given.get("parts", {}), "seen", "asked"}

    def guards(name: str) -> bool:
        paths = [node.path for node in walk(parse_expression(texts[name])) if isinstance(node, Name)]
        return all(guards(path) if path in texts else path.split(".")[0] not in apart for path in paths)

    known = [name for name in texts if guards(name)]
    for item in given["requirements"].values():
        for key, text in item.items():
            if key in (*REQUIREMENT, "after"):
                item[key] = re.sub(
                    r"(?<![\w.])[A-Za-z_]\w*(?![\w.])",
                    lambda match: ("seen." if match[0] in known and chance.random() < 0.4 else "") + match[0],
                    text,
                )
    return given


class _Naming:
    def __init__(self, given: MachineDict, chance: Random, share: float) -> None:
        self.given, self.chance, self.share = given, chance, share
        self.conditions: dict[str, str] = {}
        self.globals = {
            name for section in ("inputs", "outputs", "memory") for name in given.get(section, {})
        }
        self.counters = {
            name
            for name, item in given.get("memory", {}).items()
            if isinstance(item, dict) and "range" in item
        }

    def machine(self) -> MachineDict:
        """The machine with its conditions."""
        for sequence in self.given["sequences"].values():
            ways = [*sequence.get("overrides", ())]
            ways += [item for state in sequence["states"].values() for item in state.get("exits", ())]
            for item in ways:
                self._at(item, "when")
                for memory in item.get("do", {}):
                    if memory not in self.counters:
                        self._at(item["do"], memory)
        for item in self.given.get("interlocks", ()):
            self._at(item, "unless")
        for part in self.given.get("parts", {}).values():
            for key in DRIVING:
                self._at(part, key)
            for state in part.get("states", {}).values():
                for item in state.get("exits", ()):
                    self._at(item, "when")
        for item in self.given.get("requirements", {}).values():
            for key in REQUIREMENT if "then" not in item and "keep" not in item else (*REQUIREMENT, "after"):
                self._at(item, key, seen=True)
        found = list(self.conditions.items())
        self.chance.shuffle(found)  # the order of the section has no meaning
        self.given["conditions"] = {
            name: {"when": text, "why": "drawn"} if self.chance.random() < 0.2 else text
            for name, text in found
        }
        return self.given

    def _at(self, item: MachineDict, key: str, *, seen: bool = False) -> None:
        if isinstance(item.get(key), str):
            item[key] = self._named(item[key], seen=seen)

    def _named(self, text: str, *, seen: bool, depth: int = 0) -> str:
        """The text with a name for one condition in it, or as it is."""
        if depth > 3 or self.chance.random() > self.share:
            return text
        nodes = [node for node in walk(parse_expression(text)) if self._is_truth(node)]
        viewed = [node for node in nodes if self._is_viewed(node)] if seen else []
        if not nodes:
            return text
        as_seen = bool(viewed) and self.chance.random() < 0.8
        node = self.chance.choice(viewed if as_seen else nodes)
        found, prefix = text[node.span.start : node.span.end], ""
        if as_seen:
            found, prefix = found.replace("seen.", "").replace("asked.", ""), "seen."
        found = self._named(found, seen=seen and not prefix, depth=depth + 1)
        name = next((known for known, other in self.conditions.items() if other == found), "")
        if not name:
            name = self._fresh()
            self.conditions[name] = found
        return text[: node.span.start] + prefix + name + text[node.span.end :]

    def _is_viewed(self, node: Expression) -> bool:
        """Whether a node reads the controller's own views, memory and states, and nothing else."""
        paths = [item.path for item in walk(node) if isinstance(item, Name)]
        views = [path for path in paths if path.startswith(("seen.", "asked."))]
        memory, sequences = self.given.get("memory", {}), self.given["sequences"]
        others = [path for path in paths if path not in views]
        return bool(views) and all(path in memory or path.split(".")[0] in sequences for path in others)

    def _fresh(self) -> str:
        taken = {*self.conditions, *self.globals, *self.given["sequences"], *self.given.get("parts", {})}
        free = [name for name in NAMES if name not in taken]
        return self.chance.choice(free) if free else f"named_{len(self.conditions)}"

    def _is_truth(self, node: Expression) -> bool:
        """Whether a node is a condition by itself that means the same wherever it stands."""
        match node:
            case Name(path=path):
                truth = path not in self.counters
            case Binary(operator=operator):
                truth = operator not in (Operator.ADD, Operator.SUB)
            case Not() | EdgeOf() | HeldFor():
                truth = True
            case _:
                return False
        for item in walk(node):
            if isinstance(item, At) or (
                isinstance(item, Name)
                and "." not in item.path
                and item.path not in self.globals
                and item.path not in self.conditions
            ):
                return False  # a part's own truth
        return truth
