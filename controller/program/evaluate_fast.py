"""Runs a program's statements in Python four times as fast as ``evaluate``, for runs by the thousand.

A block becomes the text of one Python function over the list of values, which Python compiles.
The text holds slots, numbers and the operators below and nothing else: no text of a user's file
is ever turned into Python source. ``and`` and ``or`` stop early and choices are asked in the order
of ``evaluate``, which this is held against; observations of inputs are answered from their cells.

Not looked at: whether a cell is given a value outside its range, which ``evaluate`` does look at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from types import CodeType

from ..expressions.expression import Operator
from ..machine_file.field_types import Milliseconds
from .controller_program import Signal
from .evaluate import BlockCode, BlockCompiler, Host, Layout
from .program import (
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Note,
    NoteKind,
    Observation,
    Operation,
    Read,
    Ref,
    Remark,
    Statement,
    Switch,
    Term,
    TimeConstant,
    ticks_up,
)

PYTHON_SIGNS = {
    Operator.AND: "and",
    Operator.OR: "or",
    Operator.XOR: "^",
    Operator.EQ: "==",
    Operator.NE: "!=",
    Operator.LT: "<",
    Operator.LE: "<=",
    Operator.GT: ">",
    Operator.GE: ">=",
    Operator.ADD: "+",
    Operator.SUB: "-",
}
"""How Python spells the operators, of truths and numbers that are 0 or 1."""

_NUMBERS = (Operator.XOR, Operator.ADD, Operator.SUB)

_MOST_INDENTS, _MOST_PARENTHESES = 80, 60
"""Python takes 100 and 200, but needs very long to say no to more."""


class _TooDeep(Exception):  # noqa: N818
    """More indents or parentheses than Python is given."""


class FastCompiler(BlockCompiler):
    """Turns blocks into Python functions; a block that is nested too deeply, into closures.

    Args:
        layout: slots of the cells.
        period: tick in ms.
        host: what choices and notes go to.
        signals: inputs, observations of which are answered from their cells.
    """

    def __init__(
        self, layout: Layout, period: Milliseconds, host: Host, signals: Iterable[Signal] = ()
    ) -> None:
        super().__init__(layout, period, host)
        self._signals = {signal.name: signal for signal in signals}

    def block(self, block: Block) -> BlockCode:
        """A function that runs statements one after another."""
        writer = _Writer(self.layout, self.period, self._signals)
        try:
            text = "\n".join(("def run(v):", *writer.lines(block, 1)))
        except _TooDeep:
            return super().block(block)
        names: dict[str, object] = {f"cell_{self.layout.slot(cell)}": cell for cell in writer.chosen}
        names |= {f"{kind.name}": kind for kind in NoteKind}
        names |= {"choose": self.host.choose, "note": self.host.note}
        exec(_compiled(text), names)
        run = names["run"]
        assert callable(run)
        return run


@lru_cache(maxsize=1024)
def _compiled(text: str) -> CodeType:
    """Blocks of one machine that suffers different things are mostly the same."""
    return compile(text, "<program>", "exec")


class _Writer:
    def __init__(self, layout: Layout, period: Milliseconds, signals: dict[str, Signal]) -> None:
        self._layout, self._period, self._signals = layout, period, signals
        self._open = 0  # parentheses
        self.chosen: list[Cell] = []

    def lines(self, block: Block, depth: int) -> Iterator[str]:
        """The text of a block; ``pass`` if nothing is to be done."""
        if depth > _MOST_INDENTS:
            raise _TooDeep
        statements = [item for item in block if not isinstance(item, Remark)]
        for statement in statements:
            yield from self._statement(statement, depth)
        if not statements:
            yield " " * depth + "pass"

    def _statement(self, statement: Statement, depth: int) -> Iterator[str]:
        margin = " " * depth
        match statement:
            case Assign(cell=cell, value=value):
                yield f"{margin}{self._cell(cell)} = {self._value(value)}"
            case If():
                yield from self._if(statement, depth, "if")
            case Switch(cell=cell, arms=arms):
                yield f"{margin}held = {self._cell(cell)}"
                for place, (number, arm) in enumerate(arms):
                    yield f"{margin}{'elif' if place else 'if'} held == {number}:"
                    yield from self.lines(arm, depth + 1)
            case Choose(cell=cell, count=count):
                yield f"{margin}{self._cell(cell)} = choose({self._chosen(cell)}, {count})"
            case Begin(cell=cell, options=options):
                yield f"{margin}found = [0]"
                for condition, option in options:
                    yield f"{margin}if {self._test(condition)}: found.append({option})"
                asked = f"found[choose({self._chosen(cell)}, len(found))] if len(found) > 1 else 0"
                yield f"{margin}{self._cell(cell)} = {asked}"
            case Note(kind=kind, index=index):
                yield f"{margin}note({kind.name}, {index})"
            case Remark():
                pass

    def _if(self, statement: If, depth: int, word: str) -> Iterator[str]:
        margin = " " * depth
        yield f"{margin}{word} {self._test(statement.condition)}:"
        yield from self.lines(statement.then, depth + 1)
        match tuple(item for item in statement.otherwise if not isinstance(item, Remark)):
            case ():
                return
            case (If() as following,):
                yield from self._if(following, depth, "elif")
            case rest:
                yield f"{margin}else:"
                yield from self.lines(rest, depth + 1)

    # -- terms ---------------------------------------------------------------------------------

    def _cell(self, cell: Cell) -> str:
        return f"v[{self._layout.slot(cell)}]"

    def _chosen(self, cell: Cell) -> str:
        self.chosen.append(cell)
        return f"cell_{self._layout.slot(cell)}"

    def _value(self, term: Term) -> str:
        """Text of a number that can stand beside any sign."""
        return self._within(self._number, term)

    def _inside(self, term: Term) -> str:
        """Text of a truth that can stand beside ``and``, ``or`` and ``not``."""
        return f"({self._within(self._test, term)})"

    def _within(self, text_of: Callable[[Term], str], term: Term) -> str:
        self._open += 1
        if self._open > _MOST_PARENTHESES:
            raise _TooDeep
        text = text_of(term)
        self._open -= 1
        return text

    def _number(self, term: Term) -> str:
        match term:
            case Constant(value=value):
                return f"({value})" if value < 0 else str(value)
            case TimeConstant(milliseconds=milliseconds):
                return str(ticks_up(milliseconds, self._period))
            case Ref(cell=cell):
                return self._cell(cell)
            case Complement(operand=operand):
                return f"(1 - {self._value(operand)})"
            case Lookup(table=table, index=index):
                return f"({', '.join(map(str, table))},)[{self._value(index)}]"
            case Operation(operator=sign, left=left, right=right) if sign in _NUMBERS:
                return f"({self._value(left)} {PYTHON_SIGNS[sign]} {self._value(right)})"
            case Read(observation=Observation.LEVEL):
                return self._test(term)
            case _:
                return f"(1 if {self._test(term)} else 0)"

    def _test(self, term: Term) -> str:
        """Text that is true or false."""
        match term:
            case Complement(operand=operand):
                return f"not {self._inside(operand)}"
            case Operation(operator=Operator.AND | Operator.OR as sign):
                parts = (self._inside(item) for item in _chain(term, sign))
                return f" {PYTHON_SIGNS[sign]} ".join(parts)
            case Operation(operator=sign, left=left, right=right) if sign not in _NUMBERS:
                return f"{self._value(left)} {PYTHON_SIGNS[sign]} {self._value(right)}"
            case Read():
                return self._read(term)
            case _:
                return self._value(term)

    def _read(self, term: Read) -> str:
        signal = self._signals[term.signal]
        level = self._cell(signal.level)
        was, run = (self._cell(cell or signal.level) for cell in (signal.was, signal.run))
        match term.observation:
            case Observation.LEVEL:
                return level
            case Observation.ROSE:
                return f"{level} > {was}"
            case Observation.FELL:
                return f"{was} > {level}"
            case Observation.HELD:
                return f"{run} > {ticks_up(term.milliseconds, self._period)}"
            case other:
                raise ValueError(f"{other.value} is not the controller's to see")


def _chain(term: Term, sign: Operator) -> list[Term]:
    """The members of a chain of one sign, from left to right: such chains may be long."""
    found: list[Term] = []
    while isinstance(term, Operation) and term.operator is sign:
        found.append(term.right)
        term = term.left
    return [term, *reversed(found)]
