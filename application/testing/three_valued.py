"""Whether a condition can be true now if somebody sets the free inputs: three-valued evaluation.

What is asked of a free input is unknown, all else is as it is; Kleene's logic (1952) does the
rest. Used to try first what can be reached at once.
"""

from __future__ import annotations

import operator
from collections.abc import Callable

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.program import Complement, Constant, Operation, Read, Ref, Term

Known = Callable[[Ref | Read], int | None]
"""Value of a cell or an observation; None if somebody may choose it."""

_FUNCTIONS: dict[Operator, Callable[[int, int], int]] = {
    Operator.XOR: operator.xor,
    Operator.EQ: operator.eq,
    Operator.NE: operator.ne,
    Operator.LT: operator.lt,
    Operator.LE: operator.le,
    Operator.GT: operator.gt,
    Operator.GE: operator.ge,
    Operator.ADD: operator.add,
    Operator.SUB: operator.sub,
}


def possible(term: Term, known: Known) -> bool:
    """Whether a truth is not certainly false."""
    return _value(term, known) != 0


def _value(term: Term, known: Known) -> int | None:
    match term:
        case Constant(value=value):
            return value
        case Ref() | Read():
            return known(term)
        case Complement(operand=operand):
            inner = _value(operand, known)
            return None if inner is None else 1 - inner
        case Operation(operator=Operator.AND, left=left, right=right):
            first = _value(left, known)
            if first == 0:
                return 0
            second = _value(right, known)
            return 0 if second == 0 else None if first is None or second is None else 1
        case Operation(operator=Operator.OR, left=left, right=right):
            first = _value(left, known)
            if first:
                return 1
            second = _value(right, known)
            return 1 if second else None if first is None or second is None else 0
        case Operation(operator=sign, left=left, right=right) if sign in _FUNCTIONS:
            first, second = _value(left, known), _value(right, known)
            return None if first is None or second is None else int(_FUNCTIONS[sign](first, second))
        case _:
            return None
