"""Reasons as values and in words, and lowered conditions turned back into text."""

from __future__ import annotations

from collections.abc import Mapping
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines_strategy import machine_dicts
from named_machines import with_names
from stillgate.controller.execution.executive import Executive
from stillgate.controller.execution.reasons import Clause, Connective, because, join_words
from stillgate.controller.expressions.expression import canonical
from stillgate.controller.expressions.grammar import parse_expression
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.reading.reader import read_machine_text

NAMES = ("a", "b", "c", "d")


def test_words_are_joined_as_in_a_sentence() -> None:
    """Commas, then the word."""
    assert [join_words(["a", "b", "c"][:count]) for count in range(4)] == ["", "a", "a and b", "a, b and c"]


def leaf(text: str, holds: bool, **more: object) -> Clause:
    """A clause without parts."""
    return Clause(text, holds, **more)  # type: ignore[arg-type]


def joined(joint: Connective, *parts: Clause) -> Clause:
    """A clause of parts, with the truth they give it."""
    truths = [part.holds for part in parts]
    holds = {
        Connective.ALL: all(truths), Connective.ANY: any(truths), Connective.NOT: not truths[0],
        Connective.NAMED: truths[0],
    }[joint]  # fmt: skip
    return Clause("text", holds, joint, parts)


def test_the_grounds_of_a_false_conjunction_are_its_false_parts() -> None:
    """And of a true one all."""
    false = joined(Connective.ALL, leaf("a", True), leaf("b", False), leaf("c", False))
    assert [item.text for item in false.grounds()] == ["b", "c"]
    true = joined(Connective.ALL, leaf("a", True), leaf("b", True))
    assert [item.text for item in true.grounds()] == ["a", "b"]


def test_the_grounds_of_a_true_disjunction_are_its_true_parts() -> None:
    """And of a false one all; below 'not' the leaf itself, once."""
    true = joined(Connective.ANY, leaf("a", True), leaf("b", False))
    assert [item.text for item in true.grounds()] == ["a"]
    twice = joined(
        Connective.ALL, joined(Connective.NOT, leaf("a", True)), joined(Connective.NOT, leaf("a", True))
    )
    assert [(item.text, item.holds) for item in twice.grounds()] == [("a", True)]


def test_a_sentence_says_truth_duration_and_values() -> None:
    """In the tense asked for."""
    clause = joined(
        Connective.ALL,
        leaf("cutter_still", False, lasting=1200),
        leaf("rail < 5", False, note="rail is 5"),
        leaf("seated", False, lasting=0),
    )
    assert because(clause) == (
        "cutter_still was false for 1.2 s, rail < 5 was false (rail is 5) "
        "and seated became false in this scan"
    )
    assert because(clause, "is") == (
        "cutter_still is false for 1.2 s, rail < 5 is false (rail is 5) and seated is false"
    )


@st.composite
def clauses(draw: st.DrawFn, depth: int = 3) -> Clause:
    """Trees over a few names, the same name always with the same truth."""
    truths = {name: index % 2 == 0 for index, name in enumerate(NAMES)}
    if depth == 0 or draw(st.booleans()):
        name = draw(st.sampled_from(NAMES))
        return leaf(name, truths[name])
    joint = draw(st.sampled_from(list(Connective)))
    count = 1 if joint in (Connective.NOT, Connective.NAMED) else draw(st.integers(2, 3))
    return joined(joint, *(draw(clauses(depth - 1)) for _ in range(count)))


def truth_of(clause: Clause, truths: Mapping[str, bool]) -> bool:
    """Truth of a clause if its leaves had these."""
    parts = [truth_of(part, truths) for part in clause.parts]
    match clause.joint:
        case None:
            return truths[clause.text]
        case Connective.ALL:
            return all(parts)
        case Connective.ANY:
            return any(parts)
        case Connective.NOT:
            return not parts[0]
        case Connective.NAMED:
            return parts[0]


@given(clauses(), st.fixed_dictionaries({name: st.booleans() for name in NAMES}))
def test_the_grounds_alone_decide_a_clause(clause: Clause, others: dict[str, bool]) -> None:
    """Whatever all other names were: while the grounds stay, so does the truth."""
    kept = {item.text: item.holds for item in clause.grounds()}
    assert truth_of(clause, others | kept) == clause.holds


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(machine_dicts(), st.integers(0, 2**32), st.sampled_from((0.0, 0.8)))
def test_a_lowered_condition_reads_back_as_it_was_written(
    drawn: dict[str, Any], seed: int, share: float
) -> None:
    """Up to spacing, brackets, case of words and the spelling of times; with the names it has in the file."""
    machine = Machine.model_validate(with_names(drawn, Random(seed), share))

    def spelled(text: str) -> str:
        return canonical(parse_expression(text))

    executive = Executive(machine)
    executive.scan()
    for name in machine.outputs:
        for permit in executive.why(name).permits:
            written = machine.interlocks[permit.number - 1].unless.text
            assert spelled(permit.condition.text) == spelled(written)
    for reason in executive.exits():
        sequence = machine.sequences[reason.sequence]
        items = sequence.overrides if reason.is_override else sequence.states[reason.state].exits
        written = items[reason.number - 1].when
        if reason.condition is not None and written is not None:
            assert spelled(reason.condition.text) == spelled(written.text)


@pytest.mark.parametrize(
    "text",
    [
        "n = 1",
        "n + 1 <> 0",
        "1 < n",
        "a = true",
        "(a or b) = false",
        "not (a xor true)",
        "n - 1 = 1 and true",
    ],
)
def test_a_one_is_a_number_among_numbers_and_true_among_truths(text: str) -> None:
    """Once 'rail = 1' was said as 'rail = true'."""
    exits = [{"when": text, "to": "x"}]
    machine = Machine.model_validate(
        {
            "machine": "m",
            "scan": "10 ms",
            "inputs": {"a": {}, "b": {}},
            "memory": {"n": {"range": "0..3", "start": 0}},
            "sequences": {"s": {"start": "x", "states": {"x": {"exits": exits}}}},
        }
    )
    (reason,) = Executive(machine).exits()
    assert reason.condition is not None
    assert canonical(parse_expression(reason.condition.text)) == canonical(parse_expression(text))


NAMED = """\
machine: m
scan: 20 ms
inputs: {a: {}, b: {}, c: {}}
outputs: {y: {}}
conditions:
  still: a and not b
  clear: still or c
  pressed: {when: c, note: one name alone}
sequences:
  s:
    start: x
    states:
      x:
        on: [y]
        exits: [{when: clear and not pressed, to: z}, {when: 'held(still, 1 s)', to: z}, {after: 2 s, to: z}]
      z: {exits: [{when: rising(pressed) or rising(still), to: x}]}
interlocks: [{hold_off: y, unless: still, why: it must stand}]
"""


def test_a_named_condition_is_told_by_its_name_with_what_it_stands_for() -> None:
    executive = Executive(read_machine_text(NAMED).machine)
    executive.inputs["a"] = executive.inputs["b"] = True
    executive.scan()
    executive.scan()
    assert list(executive.why("y").lines()) == [
        "y off: held off by interlock 1 (it must stand), because still was false (b was true for 20 ms)",
        "  interlock 1 (it must stand): holds off",
        "    false  still",
        "    false    all of: a and not b",
        "    true       a  (for 20 ms)",
        "    false      not: not b",
        "    true         b  (for 20 ms)",
    ]
    first, second, _ = executive.exits("s")
    assert list(first.lines()) == [
        "s: x, exit 1 to z: blocked because clear is false (b is true for 20 ms and c is false for 20 ms)",
        "    false  all of: clear and not pressed",
        "    false    clear",
        "    false      any of: still or c",
        "    false        still",
        "    false          all of: a and not b",
        "    true             a  (for 20 ms)",
        "    false            not: not b",
        "    true               b  (for 20 ms)",
        "    false        c  (for 20 ms)",
        "    true     not: not pressed",
        "    false      pressed",
        "    false        c  (for 20 ms)",
    ]
    assert str(second) == (
        "s: x, exit 2 to z: blocked because held(still, 1 s) is false (still has been false for 20 ms)"
    )


def test_a_program_without_its_file_is_told_without_names() -> None:
    executive = Executive(lower_controller(read_machine_text(NAMED).machine))
    executive.scan()
    assert executive.why("y").permits[0].condition.text == "a and not b"
