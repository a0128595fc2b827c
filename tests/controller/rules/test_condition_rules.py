"""What is wrong with named conditions, where it stands and what brings it in."""

from __future__ import annotations

from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machine_texts import MARK, YARD_GATE, problems_of
from machines_strategy import machine_dicts, machine_text
from named_machines import with_names
from stillgate.controller.errors import MachineFileError, ScenarioFileError, Severity
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.scenarios.scenario_reader import load_scenario


def gate_with(conditions: str, *changes: tuple[str, str]) -> tuple[str, tuple[int, int] | None]:
    """The yard gate with named conditions and texts replaced, and the place of the mark in it."""
    text = YARD_GATE.replace("sequences:\n", f"conditions:\n{conditions}sequences:\n", 1)
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    before, mark, after = text.partition(MARK)
    if not mark:
        return text, None
    return before + after, (before.count("\n") + 1, len(before) - before.rfind("\n"))


UNLESS = "unless: edge_clear"

ERRORS = [
    # conditions, what is replaced, by what (¶ before the place), message, hint
    ("  c: edge_clear and ¶gate_opne\n", UNLESS, "unless: c", "unknown name 'gate_opne'", "'gate_open'"),
    ("  c: {when: ¶rail + 1}\n", UNLESS, "unless: c", "this must be a truth, and this is a number", ""),
    ("  c: at ¶open\n", UNLESS, "unless: c", "'at' cannot stand in a named condition", ""),
    ("  ¶rail: true\n", UNLESS, "unless: edge_clear", "'rail' is already the name of one of the memory", ""),
    ("  ¶gate: true\n", UNLESS, "unless: edge_clear", "'gate' is already the name of one of the sequences",
     "memory and conditions share one set of names"),
    ("  ¶held: true\n", UNLESS, "unless: edge_clear", "'held' is a word of the language", "say 'held_1'"),
    ("  ¶still: true\n", UNLESS, "unless: still", "'still' is the name of a truth of the part 'fan'",
     "'still_1'"),
    ("  ¶c:\n", UNLESS, "unless: c", "an expression is expected, and nothing stands here", ""),
    ("  c: ¶[gate_open]\n", UNLESS, "unless: c", "an expression is expected here", ""),
    ("  ¶c: {why: x}\n", UNLESS, "unless: c", "'when' is missing here", "say for example 'when:"),
    ("  c: {when: gate_open, ¶wy: x}\n", UNLESS, "unless: c", "unknown key 'wy'", "did you mean 'why'?"),
    ("  c: gate_open and¶\n", UNLESS, "unless: c", "the expression ends too early", ""),
    ("  c: gate_open\n", UNLESS, "unless: ¶cc", "unknown name 'cc'", "did you mean 'c'?"),
    ("  passable: gate_open\n", "when: gate_open", "when: ¶pasable", "unknown name 'pasable'", "'passable'"),
    ("  c: gate_open\n", "when: gate_open", "when: c¶.on", "'c' has no '.on'", "say 'c'"),
    ("  c: gate_open\n", "when: gate_open", "when: ¶seen.c", "'seen.c' may stand in requirements only",
     "say 'c'"),
    ("  c: motor_open\n", "never: motor_open", "never: asked.¶c", "there is no output 'c'",
     "'seen.c' is the controller's own view of it"),
    ("  c: gate_open\n", "never: motor_open", "never: ¶c(motor_open)", "'c' is not a function", ""),
    ("  c: rail > 1\n", "rail: rail + 1", "rail: ¶c", "this must be a number, and this is a truth", ""),
    # what depends on the place
    ("  c: leaf.still\n", UNLESS, "unless: ¶c",
     "'leaf.still' is known to the simulation and to requirements, not to the controller; "
     "'c' brings it in (line 33, column 6)", "read a switch instead: 'gate_shut', 'gate_open'"),
    ("  c: d\n  d: {when: not (e or gate_open)}\n  e: seen.gate_open\n", "when: gate_open", "when: not ¶c",
     "'seen.gate_open' may stand in requirements only; 'c' brings it in through 'd' through 'e' (line 35, "
     "column 6)", "say 'gate_open'"),
    ("  c: gate_open\n", "drive: motor_open", "drive: ¶c",
     "'gate_open' belongs to the controller, which what drives a part cannot read; "
     "'c' brings it in (line 33, column 6)", ""),
    ("  c: leaf.moving\n", "drive: motor_open", "drive: ¶c", "'leaf.moving' is a motion, ", ""),
    ("  c: rising(motor_open)\n", "drive: motor_open", "drive: ¶c",
     "'rising' cannot stand in what drives a part; 'c' brings it in", ""),
    ("  c: motor_open\n", "gate_shut: at shut", "gate_shut: ¶c",
     "'motor_open' is an output; a switch senses its own part only; 'c' brings it in", ""),
    ("  c: rising(gate_open)\n", UNLESS, "unless: rising(¶c)", "'rising' cannot stand inside 'rising'; "
     "'c' brings it in (line 33, column 6)", "keep one"),
    ("  c: motor_shut\n", UNLESS, "unless: 'held(¶c, 1 s)'",
     "in an interlock 'held' reads inputs, states and "
     "memory, not outputs; 'c' brings it in", ""),
    ("  c: leaf.still\n", "never: motor_open", "never: ¶seen.c",
     "'leaf.still' is known to the simulation and to requirements, not to the controller; "
     "'seen.c' brings it in", ""),
    ("  c: asked.motor_open\n", "never: motor_open", "never: ¶seen.c", "may stand in requirements only; "
     "'seen.c' brings it in", ""),
]  # fmt: skip


@pytest.mark.parametrize(("conditions", "old", "new", "message", "hint"), ERRORS)
def test_an_error_is_told_at_its_place(conditions: str, old: str, new: str, message: str, hint: str) -> None:
    text, place = gate_with(conditions, (old, new))
    found = problems_of(text)
    matching = [p for p in found if message in p.message and hint in p.hint]
    assert [(p.line, p.column) for p in matching] == [place], found


@pytest.mark.parametrize(
    ("definition", "use"),
    [("gate_opne", "c"), ("rail + 1", "c"), ("c", "c"), ("d", "not c"), ("gate_open and", "c or gate_shut")],
)
def test_a_mistake_in_a_condition_is_told_once_and_not_where_it_is_used(definition: str, use: str) -> None:
    text, _ = gate_with(f"  c: {definition}\n  d: c\n", (UNLESS, f"unless: {use}"))
    (problem,) = problems_of(text)
    assert problem.line == 33


def test_a_circle_is_told_once_with_its_way() -> None:
    text, place = gate_with("  e: b\n  a: gate_open and ¶b\n  b: not c\n  c: seen.a\n", (UNLESS, "unless: e"))
    (problem,) = problems_of(text)
    assert problem.message == "a condition cannot be made of itself: 'a' of 'b', 'b' of 'c', 'c' of 'a'"
    assert (problem.line, problem.column) == place


def test_too_much_is_told_where_it_becomes_too_much() -> None:
    doubled = "".join(f"  c{i + 1}: c{i} and c{i}\n" for i in range(9))
    text, _ = gate_with("  c0: gate_open and gate_shut\n" + doubled, (UNLESS, "unless: ¶c9"))
    (problem,) = problems_of(text.replace(MARK, ""))
    assert "too large: at most 64 deep, 2000 names" in problem.message
    assert text.splitlines()[problem.line - 1] == "  c9: c8 and c8"


def test_a_long_chain_of_names_is_refused_and_not_followed_to_its_end() -> None:
    chain = "".join(f"  c{i + 1}: c{i}\n" for i in range(2000))
    text, _ = gate_with("  c0: gate_open\n" + chain, (UNLESS, "unless: c2000"))
    (problem,) = problems_of(text)
    assert "too large" in problem.message
    assert text.splitlines()[problem.line - 1] == "  c64: c63"


def test_a_place_may_be_too_large_where_each_of_its_conditions_is_not() -> None:
    halves = " or ".join(["gate_open"] * 60)
    text, place = gate_with(f"  c: {halves}\n", (UNLESS, "unless: ¶not not not not not (c or not c)"))
    (problem,) = problems_of(text)
    assert "too large" in problem.message
    assert (problem.line, problem.column) == place


@pytest.mark.parametrize(
    ("conditions", "message"),
    [
        ("  ¶c: gate_open\n", "nothing uses the condition 'c'"),
        ("  ¶c: d\n  d: gate_open\n", "nothing uses the condition 'c'"),
        ("  ¶Rail: gate_open\n", "'Rail' and 'rail' differ in case only"),
        ("  ¶yes: gate_open\n", "'yes' for 'true'"),
    ],
)
def test_a_doubtful_name_is_a_warning(conditions: str, message: str) -> None:
    text, place = gate_with(conditions)
    assert problems_of(text) == []
    found = problems_of(text, Severity.WARNING)
    assert [(p.line, p.column) for p in found if message in p.message] == [place], found


def test_a_name_is_used_wherever_it_stands() -> None:
    text, _ = gate_with(
        "  a: gate_open\n  b: motor_open\n  c: leaf.at_open\n  d: a and seen.e\n  e: gate_shut\n  f: true\n",
        ("drive: motor_open", "drive: b"), ("while: leaf.at_open", "while: c"),
        ("never: motor_open and", "never: d and"), ("edge_clear, why", "f, why"),
    )  # fmt: skip
    assert [p.message for p in problems_of(text, Severity.WARNING)] == []


def test_what_only_an_unused_condition_reads_is_read_by_nobody() -> None:
    text, _ = gate_with("  c: spare\n", ("inputs:\n", "inputs:\n  spare: {}\n"))
    found = [p.message for p in problems_of(text, Severity.WARNING)]
    assert found == ["nothing reads the input 'spare'", "nothing uses the condition 'c'"]


def test_a_part_may_not_take_a_signal_for_its_own_truth() -> None:
    """Written out by hand, 'item' would be the flow's own truth; through a name it is the output."""
    text, place = gate_with(
        "  c: item\n", ("outputs:\n", "outputs:\n  item: {}\n"), ("while: leaf.at_open", "while: ¶c")
    )
    (problem,) = problems_of(text)
    assert problem.message.startswith("'item' is a truth of 'cars' itself here; 'c' brings it in (line")
    assert (problem.line, problem.column) == place


def test_broken_places_and_broken_conditions_are_told_together() -> None:
    text, _ = gate_with("  c: gate_open and\n  d: gate_opne\n", (UNLESS, "unless: c and edge_cler"))
    assert [p.message.partition(":")[0] for p in problems_of(text)] == [
        "the expression ends too early", "unknown name 'gate_opne'", "unknown name 'edge_cler'",
    ]  # fmt: skip


def test_a_scenario_is_told_which_line_of_the_machine_file_brings_a_mistake_in(tmp_path: Path) -> None:
    text, _ = gate_with("  c: leaf.still\n", ("never: motor_open", "never: c and motor_open"))
    (tmp_path / "gate.yaml").write_text(text)
    scenario = tmp_path / "a.scenario.yaml"
    scenario.write_text(
        "scenario: a\nmachine: gate.yaml\nsteps:\n  - {expect: c}\n  - {expect: not seen.c}\n"
    )
    with pytest.raises(ScenarioFileError) as caught:
        load_scenario(scenario)
    (problem,) = caught.value.problems
    assert f"'seen.c' brings it in (line 33, column 6 of {tmp_path / 'gate.yaml'})" in problem.message
    assert (problem.line, problem.column) == (5, 18)


# -- drawn machines ----------------------------------------------------------------------------------


@st.composite
def named(draw: Any) -> dict[str, Any]:
    """Machines with at least one named condition."""
    machine = with_names(draw(machine_dicts()), Random(draw(st.integers(0, 2**32))), share=0.9)
    machine["conditions"] = machine["conditions"] or {"cond": "true"}
    return machine


@settings(deadline=None, max_examples=50)
@given(named(), st.data())
def test_every_circle_is_told(machine: dict[str, Any], data: st.DataObject) -> None:
    """A condition is made of one that is made of it."""
    names = list(machine["conditions"])
    length = data.draw(st.integers(1, len(names)))
    circle = data.draw(st.permutations(names))[:length]
    for name, following in zip(circle, [*circle[1:], circle[0]], strict=True):
        machine["conditions"][name] = f"true and {following}"
    with pytest.raises(MachineFileError) as caught:
        read_machine_text(machine_text(machine))
    (told,) = [p.message for p in caught.value.problems if "made of itself" in p.message]
    assert all(f"'{name}'" in told for name in circle)


@settings(deadline=None, max_examples=50)
@given(named())
def test_exactly_the_unused_names_are_told(machine: dict[str, Any]) -> None:
    """Whatever was drawn is used; a name more is not."""
    spare = "spare_one"
    used = [p.message for p in read_machine_text(machine_text(machine)).warnings]
    machine["conditions"][spare] = next(iter(machine["conditions"]))
    more = [p.message for p in read_machine_text(machine_text(machine)).warnings]
    assert not [message for message in used if "nothing uses" in message and "'cond'" not in message]
    assert f"nothing uses the condition '{spare}'" in more


@settings(deadline=None, max_examples=50)
@given(named(), st.data())
def test_every_name_that_something_else_has_is_told(machine: dict[str, Any], data: st.DataObject) -> None:
    sections = [section for section in ("inputs", "outputs", "memory", "sequences") if machine[section]]
    section = data.draw(st.sampled_from(sections))
    name = data.draw(st.sampled_from(sorted(machine[section])))
    machine["conditions"][name] = "true"
    with pytest.raises(MachineFileError) as caught:
        read_machine_text(machine_text(machine))
    told = [p.message for p in caught.value.problems]
    assert f"'{name}' is already the name of one of the {section}" in told
