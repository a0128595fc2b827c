"""Named conditions: what is written out is what somebody would have written by hand, everywhere."""

from __future__ import annotations

import json
import re
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machine_texts import YARD_GATE
from machines_strategy import machine_dicts, machine_text
from named_machines import with_names
from plants_strategy import closed_machine_dicts
from stillgate.commands.new import starter_text
from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.expressions.expression import canonical, walk
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.machine_file.named_conditions import circles, conditions_in, used_in
from stillgate.controller.machine_file.schema import machine_schema
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.reading.reader import read_machine_text
from stillgate.controller.reading.source import data_of, read_source
from whole_oracle.named import written_out

ROOT = Path(__file__).parents[3]


def machine_with(conditions: dict[str, Any], **places: str) -> Machine:
    """A machine of one sequence; ``when``, ``unless`` and ``never`` are conditions of it."""
    return Machine.model_validate({
        "machine": "m",
        "scan": "20 ms",
        "inputs": {"a": {}, "b": {}},
        "outputs": {"y": {}},
        "memory": {"n": {"range": "0..3"}},
        "parts": {"fan": {"kind": "spin", "drive": places.get("drive", "y"), "runs_down": "1 s"}},
        "conditions": conditions,
        "sequences": {"s": {"start": "on", "states": {
            "on": {"on": ["y"], "exits": [{"to": "on", "when": places.get("when", "a"),
                                          "do": {"n": "n + 1"}}]}}}},
        "interlocks": [{"hold_off": "y", "unless": places.get("unless", "a")}],
        "requirements": {"r": {"never": places.get("never", "a")}},
    })  # fmt: skip


def tree_of(machine: Machine) -> str:
    """What the requirement says, written out."""
    (condition,) = conditions_in(machine.requirements["r"])
    return canonical(condition.tree)


def meanings(machine: Machine) -> list[str]:
    """Every condition of a machine but the named ones, written out, in the file's order."""
    bare = machine.model_copy(update={"conditions": {}})
    return [canonical(condition.tree) for condition in conditions_in(bare)]


@pytest.mark.parametrize(
    ("conditions", "said", "means"),
    [
        ({"c": "a or b"}, "c and n > 1", "(a or b) and (n > 1)"),
        ({"c": "a or b"}, "not c", "not (a or b)"),
        ({"c": "a or b"}, "held(c, 1 s)", "held(a or b, 1 s)"),
        ({"c": "d and a", "d": "not b"}, "c", "not b and a"),
        ({"c": {"when": "y", "why": "because", "note": "here"}}, "c = true", "y = true"),
        ({"c": True}, "c", "true"),
        ({"c": "a and y and n = 1 and s.on"}, "seen.c", "((seen.a and asked.y) and (n = 1)) and s.on"),
        ({"c": "d and a", "d": "b or y"}, "seen.c", "(seen.b or asked.y) and seen.a"),
        ({"c": "seen.d", "d": "b"}, "c", "seen.b"),
        ({"c": "rising(a)"}, "seen.c or c", "rising(seen.a) or rising(a)"),
        ({"c": "fan.turning"}, "c and a", "fan.turning and a"),
    ],
)
def test_a_name_means_its_condition_in_brackets(conditions: dict[str, Any], said: str, means: str) -> None:
    machine = machine_with(conditions, never=said)
    assert tree_of(machine) == means
    (condition,) = conditions_in(machine.requirements["r"])
    assert str(condition) == said
    assert canonical(condition.written) == canonical(type(condition).parse(said).tree)


def test_what_is_written_out_has_the_place_of_the_name() -> None:
    machine = machine_with({"c": "not (a or held(b, 1 s))"}, when="y and c")
    (way,) = machine.sequences["s"].states["on"].exits
    assert way.when is not None
    spans = {(node.span.start, node.span.end) for node in walk(way.when.tree)}
    assert spans == {(0, 7), (0, 1), (6, 7)}


def test_a_condition_without_names_is_left_as_it_is() -> None:
    machine = machine_with({"c": "a"}, when="b")
    (way,) = machine.sequences["s"].states["on"].exits
    assert way.when is not None
    assert way.when.named is None


def test_an_old_file_has_no_conditions() -> None:
    assert read_machine_text(YARD_GATE).machine.conditions == {}


def test_circles_are_found_each_once_from_its_first_name() -> None:
    found = {"x": "b", "a": "c or y", "b": "a", "c": "b and a", "d": "seen.d", "e": "f"}
    conditions = machine_with(found | {"f": "y"}).conditions
    assert circles(conditions) == (("a", "c", "b"), ("d",))


def test_what_a_text_uses_is_told_with_what_that_uses() -> None:
    machine = machine_with({"d": "a or y", "c": "d and b", "spare": "a"}, never="seen.c or d")
    (condition,) = conditions_in(machine.requirements["r"])
    assert {name: canonical(tree) for name, tree in used_in(machine, [condition.written]).items()} == {
        "d": "a or y",
        "seen.d": "seen.a or asked.y",
        "seen.c": "seen.d and seen.b",
    }


def test_conditions_that_double_again_and_again_are_not_written_out() -> None:
    """Twenty of them would be a million names."""
    doubled = {f"c{i + 1}": f"c{i} or c{i}" for i in range(40)}
    machine = machine_with({"c0": "a and b"} | doubled, never="c40")
    assert tree_of(machine) == "c40"


def test_many_large_conditions_are_not_written_out_without_end() -> None:
    """A file of some megabytes could otherwise ask for gigabytes."""
    large = " or ".join(["(a and b)"] * 60)
    many = {f"c{i}": "large and large and large" for i in range(2000)}
    machine = machine_with({"large": large} | many)
    sizes = [sum(1 for _ in walk(item.when.tree)) for item in machine.conditions.values()]
    assert sum(sizes) < 250_000


@pytest.mark.parametrize(
    ("value", "fits"),
    [("a and b", True), (True, True), ({"when": "a", "why": "w", "note": "n"}, True),
     ({"why": "w"}, False), ([], False), (None, False), ({"when": "a", "what": "b"}, False)],
)  # fmt: skip
def test_the_schema_knows_the_short_and_the_long_form(value: object, fits: bool) -> None:
    judge = jsonschema.Draft7Validator(machine_schema())
    machine = {"machine": "m", "scan": "20 ms", "conditions": {"c": value},
               "sequences": {"s": {"start": "i", "states": {"i": {}}}}}  # fmt: skip
    assert judge.is_valid(machine) is fits


def test_the_example_of_the_guide_is_the_machine_that_new_writes() -> None:
    """Sections of the guide put into the starter file: the same controller, its conditions named."""
    page = (ROOT / "docs" / "how-to" / "say-it-once.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^```yaml\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    starter = starter_text("press")
    sections, whole = (data_of(read_source(text).root) for text in (block, starter))
    assert isinstance(sections, dict)
    assert isinstance(whole, dict)
    document = read_machine_text(json.dumps(whole | sections))
    assert document.warnings == ()
    plain = read_machine_text(starter).machine
    assert lower_controller(document.machine).outputs == lower_controller(plain).outputs
    assert re.findall(r"[\w.]+", meanings(document.machine)[0]) == re.findall(r"[\w.]+", meanings(plain)[0])


# -- a machine and the same machine written out by hand ---------------------------------------------


@settings(deadline=None)
@given(machine_dicts(), st.integers(0, 2**32))
def test_a_controller_with_names_is_the_controller_written_out(twin: dict[str, Any], seed: int) -> None:
    named = with_names(twin, Random(seed), share=0.7)
    found = Machine.model_validate(named)
    other = Machine.model_validate(twin)
    assert meanings(found) == meanings(other)
    assert lower_controller(found) == lower_controller(other)
    assert emit_controller(lower_controller(found)) == emit_controller(lower_controller(other))
    read_machine_text(machine_text(named))


@settings(deadline=None)
@given(closed_machine_dicts(), st.integers(0, 2**32))
def test_a_machine_with_names_reads_everywhere_as_written_out(twin: dict[str, Any], seed: int) -> None:
    named = with_names(twin, Random(seed), share=0.7)
    assert meanings(Machine.model_validate(named)) == meanings(Machine.model_validate(twin))
    assert meanings(Machine.model_validate(written_out(named))) == meanings(Machine.model_validate(twin))
    read_machine_text(json.dumps(named))
