"""Requirements in words and in metric temporal logic.

Formulas use G (at every instant from now on), F[0,t] (at some instant within t), W (weak
until), A and E (on every run, on some run). Sources: Dwyer, Avrunin, Corbett 1999; Konrad,
Cheng 2005; the branching ones are the usual EF and AG EF.
"""

from __future__ import annotations

from collections.abc import Callable

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import Expression, canonical, readable
from stillgate.controller.machine_file.field_types import Condition
from stillgate.controller.machine_file.machine import (
    Always,
    FromAnywhere,
    Invariance,
    Machine,
    Never,
    Precedence,
    Reach,
    Requirement,
    Response,
)
from stillgate.controller.machine_file.named_conditions import conditions_in, used_in


def pattern_of(requirement: Requirement) -> str:
    """Published name of the pattern."""
    return {
        Never: "absence",
        Always: "universality",
        Response: "bounded response",
        Invariance: "bounded invariance",
        Precedence: "precedence",
        Reach: "possibility",
        FromAnywhere: "possibility from anywhere",
    }[type(requirement)]


def sentence_of(requirement: Requirement) -> str:
    """The requirement in one sentence."""
    match requirement:
        case Never(never=p):
            return f"never: {p.text}"
        case Always(always=p):
            return f"always: {p.text}"
        case Response(after=p, then=q, within=t):
            return f"after {p.text}, then {q.text} within {format_duration(t)}"
        case Invariance(after=p, keep=q, during=t):
            return f"after {p.text}, keep {q.text} for {format_duration(t)}"
        case Precedence(before=p, first=s, since=None):
            return f"before {p.text}, first {s.text}"
        case Precedence(before=p, first=s, since=r):
            assert r is not None
            return f"before {p.text}, first {s.text}, anew since {r.text}"
        case Reach(reach=p):
            return f"some run reaches: {p.text}"
        case FromAnywhere(from_anywhere=p):
            return f"from every situation some run reaches: {p.text}"


def written_out(requirement: Requirement, spell: Callable[[Expression], str] = canonical) -> Requirement:
    """The requirement whose texts are those of its trees: without named conditions, spelt one way."""
    conditions = {
        field: Condition(spell(value.tree), value.tree)
        for field in type(requirement).model_fields
        if isinstance(value := getattr(requirement, field), Condition)
    }
    return requirement.model_copy(update=conditions)


def names_of(machine: Machine, requirement: Requirement) -> tuple[tuple[str, str], ...]:
    """The named conditions of a requirement, those inside them too, each with what it stands for."""
    trees = [condition.written for condition in conditions_in(requirement)]
    return tuple((name, readable(tree)) for name, tree in used_in(machine, trees).items())


def formula_of(requirement: Requirement) -> str:
    """The requirement's meaning in metric temporal logic; named conditions are written out in it."""
    if any(condition.named is not None for condition in conditions_in(requirement)):
        requirement = written_out(requirement, readable)
    match requirement:
        case Never(never=p):
            return f"G not ({p.text})"
        case Always(always=p):
            return f"G ({p.text})"
        case Response(after=p, then=q, within=t):
            return f"G (({p.text}) -> F[0, {format_duration(t)}] ({q.text}))"
        case Invariance(after=p, keep=q, during=t):
            return f"G (({p.text}) -> G[0, {format_duration(t)}] ({q.text}))"
        case Precedence(before=p, first=s, since=None):
            return f"not ({p.text}) W ({s.text})"
        case Precedence(before=p, first=s, since=r):
            assert r is not None
            weak = f"not ({p.text}) W ({s.text})"
            return f"({weak}) and G (({r.text}) -> ({weak}))"
        case Reach(reach=p):
            return f"EF ({p.text})"
        case FromAnywhere(from_anywhere=p):
            return f"AG EF ({p.text})"
