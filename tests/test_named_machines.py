"""The machines that are compared use named conditions in every place, and a wrong meaning would show."""

from __future__ import annotations

import re
from collections import Counter
from random import Random
from typing import Any

import pytest

from named_machines import with_names
from stillgate.controller.expressions.expression import EdgeOf, Name, canonical, walk
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.machine_file.named_conditions import conditions_in, names_in
from whole_oracle import named
from whole_oracle.comparing import drawn_machine, judged, machine_of
from whole_oracle.drawing import draw_machine
from whole_oracle.judging import TooLarge
from whole_oracle.named import written_out

SEEDS = range(300)


def seeds_with_names() -> list[int]:
    return [seed for seed in SEEDS if drawn_machine(seed).get("conditions")]


def test_names_stand_in_every_place_that_reads_a_condition() -> None:
    found: Counter[str] = Counter()
    for seed in seeds_with_names():
        machine = machine_of(drawn_machine(seed))
        known = machine.conditions
        places = {
            "guard": machine.sequences, "interlock": machine.interlocks, "part": machine.parts,
            "requirement": machine.requirements, "condition": known,
        }  # fmt: skip
        for place, value in places.items():
            for condition in conditions_in(value if not isinstance(value, dict) else dict(value)):
                for node in names_in(condition.written, known):
                    found[f"{place}, seen" if node.path.startswith("seen.") else place] += 1
                inside = [node for node in walk(condition.written) if isinstance(node, EdgeOf)]
                found["in an edge"] += any(
                    isinstance(node.argument, Name) and node.argument.path in known for node in inside
                )
        found["with a memory of its own"] += any(re.search(r"\(", item.when.text) for item in known.values())
    assert found.keys() >= {
        "guard", "interlock", "part", "requirement", "requirement, seen", "condition", "in an edge",
    }, found  # fmt: skip
    assert min(found[place] for place in found if place != "condition, seen") >= 5, found


def meanings(machine: Machine) -> list[str]:
    return [canonical(item.tree) for item in conditions_in(machine)]


def test_the_oracle_writes_out_what_was_named() -> None:
    """Up to brackets: both ways of writing out give the machine that was drawn."""
    for seed in seeds_with_names():
        twin = draw_machine(seed)
        again = machine_of(written_out(with_names(twin, Random(seed))))
        assert meanings(again) == meanings(machine_of(twin))


def test_a_seen_condition_that_read_circuits_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """``seen.NAME`` taken for ``NAME``: debounce, faults and power tell them apart."""
    right = named._replaced

    def wrong(text: str, machine: Any, known: Any, *, seen: bool = False) -> str:
        return right(text, machine, known)

    for seed in SEEDS:
        drawn = drawn_machine(seed)
        if not any(f"seen.{name}" in str(drawn) for name in drawn.get("conditions", ())):
            continue
        try:
            expected = judged(drawn)
            with monkeypatch.context() as patch:
                patch.setattr(named, "_replaced", wrong)
                found = judged(drawn)
        except TooLarge:
            continue
        if {key: item.holds for key, item in expected.answers.items()} != {
            key: item.holds for key, item in found.answers.items()
        }:
            return
    raise AssertionError("no drawn machine tells a seen condition from a plain one")
