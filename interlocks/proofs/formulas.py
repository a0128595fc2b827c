"""Formulas of z3 whose parts are known, folded where a part is *true* or *false*.

A step is some thousand small formulas, and z3's Python layer takes longer to ask what each part is than z3
takes to make one. So they are made by z3's own functions here, and *true* and *false*, of which z3 keeps one
each, are told by identity. All are of z3's main context.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import z3

Formula = Any
"""A z3 Boolean: a truth of the machine or a condition."""

Value = Any
"""A z3 Boolean where a truth is meant, else a bit-vector of the encoding's width."""

YES: Formula = z3.BoolVal(True)
NO: Formula = z3.BoolVal(False)

_MAIN = z3.main_ctx()
_YES, _NO = YES.ast.value, NO.ast.value


def is_yes(formula: Formula) -> bool:
    """Whether a formula of z3's main context is *true* itself."""
    return bool(formula.ast.value == _YES)


def is_no(formula: Formula) -> bool:
    """Whether a formula of z3's main context is *false* itself."""
    return bool(formula.ast.value == _NO)


def both(left: Formula, right: Formula) -> Formula:
    """Conjunction, folded where a side is known."""
    if is_no(left) or is_yes(right):
        return left
    if is_yes(left) or is_no(right):
        return right
    return z3.BoolRef(z3.Z3_mk_and(_MAIN.ref(), 2, (z3.Ast * 2)(left.ast, right.ast)), _MAIN)


def either(left: Formula, right: Formula) -> Formula:
    """Disjunction, folded where a side is known."""
    if is_yes(left) or is_no(right):
        return left
    if is_no(left) or is_yes(right):
        return right
    return z3.BoolRef(z3.Z3_mk_or(_MAIN.ref(), 2, (z3.Ast * 2)(left.ast, right.ast)), _MAIN)


def opposite(formula: Formula) -> Formula:
    """Negation, folded."""
    if is_yes(formula):
        return NO
    if is_no(formula):
        return YES
    if z3.is_not(formula):
        return formula.arg(0)
    return z3.BoolRef(z3.Z3_mk_not(_MAIN.ref(), formula.ast), _MAIN)


def equal(left: Value, right: Value) -> Formula:
    """That two truths, or two numbers of one width, are the same."""
    return z3.BoolRef(z3.Z3_mk_eq(_MAIN.ref(), left.ast, right.ast), _MAIN)


def if_else(condition: Formula, yes: Value, no: Value) -> Value:
    """One of two truths, or of two numbers of one width."""
    kind = z3.BoolRef if z3.is_bool(yes) else z3.BitVecRef
    return kind(z3.Z3_mk_ite(_MAIN.ref(), condition.ast, yes.ast, no.ast), _MAIN)


def implies(condition: Formula, then: Formula) -> Formula:
    """Implication."""
    return z3.BoolRef(z3.Z3_mk_implies(_MAIN.ref(), condition.ast, then.ast), _MAIN)


def all_of(formulas: Iterable[Formula]) -> Formula:
    """Conjunction of any number."""
    parts = [item for item in formulas if not is_yes(item)]
    if len(parts) < 2:
        return parts[0] if parts else YES
    given = (z3.Ast * len(parts))(*(item.ast for item in parts))
    return z3.BoolRef(z3.Z3_mk_and(_MAIN.ref(), len(parts), given), _MAIN)


def any_of(formulas: Iterable[Formula]) -> Formula:
    """Disjunction of any number."""
    parts = [item for item in formulas if not is_no(item)]
    if len(parts) < 2:
        return parts[0] if parts else NO
    given = (z3.Ast * len(parts))(*(item.ast for item in parts))
    return z3.BoolRef(z3.Z3_mk_or(_MAIN.ref(), len(parts), given), _MAIN)
