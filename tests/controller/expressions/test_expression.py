"""The typed tree of an expression."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

from machines_strategy import machines
from stillgate.controller.expressions.expression import (
    Binary,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    canonical,
    children,
    walk,
)
from stillgate.controller.expressions.grammar import parse_expression
from stillgate.controller.machine_file.machine import Machine


@pytest.mark.parametrize(
    ("text", "spelling"),
    [
        ("a", "a"),
        ("A AND b", "A and b"),
        ("a and (b or c)", "a and (b or c)"),
        ("(a and b) or c", "(a and b) or c"),
        ("not (a or b)", "not (a or b)"),
        ("NOT a", "not a"),
        ("n + 1 < 3", "(n + 1) < 3"),
        ("rising( a )", "rising(a)"),
        ("held(a or b, 1000 ms)", "held(a or b, 1 s)"),
        ("TRUE", "true"),
    ],
)
def test_canonical_is_one_spelling_for_trees_that_mean_the_same(text: str, spelling: str) -> None:
    """Spacing, case of words and needless brackets do not count."""
    assert canonical(parse_expression(text)) == spelling


def test_names_differ_by_case() -> None:
    """Words of the language may be written in any case, names mean what they say."""
    assert canonical(parse_expression("Stop")) != canonical(parse_expression("stop"))


def test_walk_visits_parents_before_children_and_left_before_right() -> None:
    """Every node once."""
    tree = parse_expression("not a and rising(b or c) or held(d, 1 s)")
    kinds = [type(node) for node in walk(tree)]
    assert kinds == [Binary, Binary, Not, Name, EdgeOf, Binary, Name, Name, HeldFor, Name]
    assert [node.path for node in walk(tree) if isinstance(node, Name)] == ["a", "b", "c", "d"]


def trees(machine: Machine) -> list[Expression]:
    """Every expression of a controller."""
    found = [item.unless.tree for item in machine.interlocks]
    for sequence in machine.sequences.values():
        found += [item.when.tree for item in sequence.overrides]
        exits = [item for state in sequence.states.values() for item in state.exits]
        found += [item.when.tree for item in exits if item.when is not None]
    return found


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(machines())
def test_spans_of_children_lie_within_their_parents_span(machine: Machine) -> None:
    """So that a caret under a part points inside the whole."""
    for tree in trees(machine):
        for node in walk(tree):
            for child in children(node):
                assert node.span.start <= child.span.start < child.span.end <= node.span.end


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(machines())
def test_the_canonical_spelling_reads_back_as_itself(machine: Machine) -> None:
    """It is an expression of the same meaning."""
    for tree in trees(machine):
        assert canonical(parse_expression(canonical(tree))) == canonical(tree)
