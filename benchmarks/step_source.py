"""Writes the closed loop's step as Python source: the rivals that the C engine is timed against.

The text is what one would write by hand if the product were in Python: every cell a local
variable, nothing called, choices by an odometer in place, both stages of a tick as nested
loops, a state packed into one number (``Dialect.PLAIN``) or into machine words in an array
(``Dialect.NUMBA``, for nopython mode). Statements, their order and the order of choices are
those of the C, so that both visit the same transitions.

Only benchmarks and their tests run this text; what the product runs so are single blocks
(``stillgate.controller.program.evaluate_fast``), never a search.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum

from stillgate.controller.c.emit_c import c_name
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.controller_program import Signal
from stillgate.controller.program.evaluate_fast import PYTHON_SIGNS
from stillgate.controller.program.footprint import cells_written
from stillgate.controller.program.program import (
    TRUE,
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
    Statement,
    Switch,
    Term,
    TimeConstant,
    ticks_up,
    walk_term,
)
from stillgate.interlocks.loop.closed_loop import ClosedLoop, FreeInput
from stillgate.interlocks.loop.free_inputs import NONE, Mode, Query
from stillgate.interlocks.loop.state_layout import PackedField, key_bits, packed_fields

MOST_CHOICES = 128
"""Choices within one transition that ``pick`` and ``size`` have room for."""


class Dialect(Enum):
    """Whom the text is written for."""

    PLAIN = "plain"  # any Python: a state is one int, the visited set a dict
    NUMBA = "numba"  # nopython: a state is a row of uint64, the visited set an open-addressed table


@dataclass(frozen=True, slots=True)
class StepSource:
    """Text of a module with a function ``expand``, and the constant tables that it reads.

    PLAIN: ``expand(level, seen, depth, limit, broken, taken) -> (following, transitions)``;
    NUMBA: ``expand(states, table, low, high, count, depth, broken, taken, pick, size)
    -> (count, transitions)``, which expands the rows ``low`` to ``high``.
    """

    text: str
    tables: dict[str, tuple[int, ...]]


def step_source(loop: ClosedLoop, dialect: Dialect) -> StepSource:
    """The step of a closed loop with the search around it."""
    writer = _Writer(loop, dialect)
    return StepSource(writer.text(), writer.tables)


@dataclass
class _Writer:
    loop: ClosedLoop
    dialect: Dialect
    lines: list[str] = field(default_factory=list)
    tables: dict[str, tuple[int, ...]] = field(default_factory=dict)
    depth: int = 0
    temporaries: int = 0

    def __post_init__(self) -> None:
        self.fields = packed_fields(self.loop)
        self.free = {item.signal.name: item for item in self.loop.free}
        self.sensed = {signal.name: signal for signal in self.loop.sensed}
        self.parts = set(self.loop.plant.cells)
        self.words = (key_bits(self.fields) + 63) // 64

    # -- text ------------------------------------------------------------------------------

    def put(self, line: str) -> None:
        self.lines.append(" " * self.depth + line)

    @contextmanager
    def inside(self, head: str) -> Iterator[None]:
        self.put(head)
        self.depth += 1
        before = len(self.lines)
        yield
        if len(self.lines) == before:
            self.put("pass")
        self.depth -= 1

    def name(self, cell: Cell) -> str:
        return f"v_{c_name(cell)}"

    def table(self, name: str, values: tuple[int, ...]) -> str:
        self.tables[name] = values
        return name

    def _constant(self, table: tuple[int, ...]) -> str:
        """Name of a table that a term looks up."""
        known = [name for name, values in self.tables.items() if values == table]
        return known[0] if known else self.table(f"table{len(self.tables)}", table)

    # -- terms -----------------------------------------------------------------------------

    def term(self, term: Term) -> str:
        """Expression of a term that asks nothing."""
        match term:
            case Constant(value=value):
                return str(value) if value >= 0 else f"({value})"
            case TimeConstant(milliseconds=milliseconds):
                return str(ticks_up(milliseconds, self.loop.tick))
            case Ref(cell=cell):
                return self.name(cell)
            case Complement(operand=operand):
                return f"(not {self.term(operand)})"
            case Lookup(table=table, index=index):
                return f"{self._constant(table)}[{self.term(index)}]"
            case Operation(operator=sign, left=left, right=right):
                return f"({self.term(left)} {PYTHON_SIGNS[sign]} {self.term(right)})"
            case Read():
                return self._sensed(term)

    def _sensed(self, term: Read) -> str:
        signal = self.sensed[term.signal]
        level = self.name(signal.level)
        was = self.name(signal.was) if signal.was is not None else "0"
        match term.observation:
            case Observation.LEVEL:
                return level
            case Observation.ROSE:
                return f"({level} and not {was})"
            case Observation.FELL:
                return f"(not {level} and {was})"
            case Observation.HELD:
                assert signal.run is not None
                return f"({self.name(signal.run)} > {ticks_up(term.milliseconds, self.loop.tick)})"
            case other:
                raise AssertionError(f"{other} of an input that a part drives is a cell")

    def value(self, term: Term) -> str:
        """Expression of any term; what it asks is asked by statements put before it."""
        if not self._asks(term):
            return self.term(term)
        match term:
            case Read():
                return self._ask(term)
            case Complement(operand=operand):
                return f"(not {self.value(operand)})"
            case Lookup(table=table, index=index):
                return f"{self._constant(table)}[{self.value(index)}]"
            case Operation(operator=Operator.AND | Operator.OR as sign, left=left, right=right):
                first = self.value(left)
                if not self._asks(right):
                    return f"({first} {PYTHON_SIGNS[sign]} {self.term(right)})"
                result = self._temporary()
                self.put(f"{result} = {first}")
                with self.inside(f"if {result}:" if sign is Operator.AND else f"if not {result}:"):
                    self.put(f"{result} = {self.value(right)}")
                return result
            case Operation(operator=sign, left=left, right=right):
                first = self._temporary()
                self.put(f"{first} = {self.value(left)}")
                return f"({first} {PYTHON_SIGNS[sign]} {self.value(right)})"
            case _:
                raise AssertionError(f"{term} asks nothing")

    def _asks(self, term: Term) -> bool:
        return any(isinstance(node, Read) and node.signal in self.free for node in walk_term(term))

    def _temporary(self) -> str:
        self.temporaries += 1
        return f"t{self.temporaries}"

    def _ask(self, term: Read) -> str:
        item = self.free[term.signal]
        name, queries = item.signal.name, item.history.queries
        held = term.observation is Observation.HELD
        query: Query = (term.observation, ticks_up(term.milliseconds, self.loop.tick) if held else 0)
        number, width = queries.index(query), max(1, len(queries))
        flat = {
            label: tuple(value for row in rows for value in (row or (NONE,)))
            for label, rows in (("yes", item.history.yes), ("no", item.history.no))
        }
        answer, place = self._temporary(), self._temporary()
        yes, no = (self.table(f"{name}__{label}", values) for label, values in flat.items())
        self.put(f"{place} = node_{name} * {width} + {number}")
        with self.inside(f"if {yes}[{place}] == {NONE}:"):
            self.put(f"{answer} = 0")
        with self.inside(f"elif {no}[{place}] == {NONE}:"):
            self.put(f"{answer} = 1")
        with self.inside("else:"):
            self.choose(answer, "2")
            self.put(f"node_{name} = {yes}[{place}] if {answer} else {no}[{place}]")
        return answer

    def choose(self, target: str, count: str) -> None:
        with self.inside("if asked < fixed:"):
            self.put(f"{target} = pick[asked]")
        with self.inside("else:"):
            self.put("pick[asked] = 0")
            self.put(f"size[asked] = {count}")
            self.put("fixed += 1")
            self.put(f"{target} = 0")
        self.put("asked += 1")

    # -- statements ------------------------------------------------------------------------

    def block(self, block: Block) -> None:
        for statement in block:
            self._statement(statement)

    def _begin(self, target: str, options: tuple[tuple[Term, int], ...]) -> None:
        """One of the options whose condition is true, or 0; asked only if there is one."""
        tests = [self.value(condition) for condition, _ in options]
        self.put(f"open_options = {' + '.join(f'(1 if {test} else 0)' for test in tests) or '0'}")
        self.put(f"{target} = 0")
        with self.inside("if open_options:"):
            self.choose("chosen_option", "(open_options + 1)")
            for test, (_, value) in zip(tests, options, strict=True):
                with self.inside(f"if {test}:"):
                    self.put("chosen_option -= 1")
                    with self.inside("if chosen_option == 0:"):
                        self.put(f"{target} = {value}")

    def _statement(self, statement: Statement) -> None:
        match statement:
            case Assign(cell=cell, value=value):
                self.put(f"{self.name(cell)} = {self.value(value)}")
            case Choose(cell=cell, count=count):
                self.choose(self.name(cell), str(count))
            case Begin(cell=cell, options=options):
                self._begin(self.name(cell), options)
            case Note(kind=NoteKind.BROKEN, index=index):
                with self.inside(f"if not broken[{index}]:"):
                    self.put(f"broken[{index}] = depth")
            case Note(index=index):
                self.put(f"taken[{index}] = 1")
            case If(condition=condition, then=then, otherwise=otherwise):
                with self.inside(f"if {self.value(condition)}:"):
                    self.block(then)
                if otherwise:
                    with self.inside("else:"):
                        self.block(otherwise)
            case Switch(cell=cell, arms=arms):
                for index, (number, arm) in enumerate(arms):
                    with self.inside(f"{'elif' if index else 'if'} {self.name(cell)} == {number}:"):
                        self.block(arm)
            case _:
                pass

    # -- one tick --------------------------------------------------------------------------

    def text(self) -> str:
        plain = self.dialect is Dialect.PLAIN
        with self.inside(_HEAD[self.dialect]):
            for line in _START[self.dialect]:
                self.put(line)
            with self.inside("for key in level:" if plain else "for row in range(low, high):"):
                self._unpack()
                self.put("fixed = 0")
                with self.inside("while True:"):
                    self._tick()
            self.put("return following, transitions" if plain else "return count, transitions")
        return "\n".join([*self._head(), *self.lines, ""])

    def _head(self) -> Iterator[str]:
        if self.dialect is Dialect.NUMBA:
            yield "from numpy import int64, uint64"

    def _tick(self) -> None:
        moved = [cell for cell in dict.fromkeys(cells_written(self.loop.moves)) if cell in self.parts]
        self._reset()
        self.put("asked = 0")
        self._stage1()
        self.put("split = asked")
        for cell in moved:
            self.put(f"s_{c_name(cell)} = {self.name(cell)}")
        self._pack("base", [item for item in self.fields if item.cell not in self.parts])
        with self.inside("while True:"):
            self.put("asked = split")
            for cell in moved:
                self.put(f"{self.name(cell)} = s_{c_name(cell)}")
            self.block(self.loop.moves)
            self.put("transitions += 1")
            self._pack("to", [item for item in self.fields if item.cell in self.parts], onto="base")
            self._insert()
            self._next_leaf("split")
        self._next_leaf("0")

    def _next_leaf(self, lowest: str) -> None:
        with self.inside(f"while fixed > {lowest} and pick[fixed - 1] + 1 >= size[fixed - 1]:"):
            self.put("fixed -= 1")
        with self.inside(f"if fixed <= {lowest}:"):
            self.put("break")
        self.put("pick[fixed - 1] += 1")

    def _stage1(self) -> None:
        loop = self.loop
        self.block(loop.before)
        for item in loop.free:
            self._root(item)
        with self.inside("if not v_dark:"):
            for signal in loop.sensed:
                self._sense(signal)
            self.block(loop.controller.observe)
            self.block(loop.controller.decide)
        with self.inside("else:"):
            for signal in loop.sensed:
                self.put(f"{self.name(signal.level)} = 0")
                if signal.was is not None:
                    self.put(f"{self.name(signal.was)} = 0")
        self.block(loop.after)
        for item in loop.free:
            self._close_belief(item)
        self.block(loop.settle)

    def _sense(self, signal: Signal) -> None:
        self.block(signal.sense)

    def _root(self, item: FreeInput) -> None:
        name, count = item.signal.name, len(item.history.beliefs)
        label = self.table(
            f"{name}__roots", tuple(root for mode in Mode for root in item.history.roots[mode])
        )
        mode = "0"
        if self.loop.budget:
            if item.stuck_off:
                mode = f"{Mode.STUCK_OFF.value} if v_fault == {item.stuck_off} else {mode}"
            if item.stuck_on:
                mode = f"{Mode.STUCK_ON.value} if v_fault == {item.stuck_on} else {mode}"
            mode = f"({Mode.DARK.value} if v_dark else {mode})"
        belief = self.name(item.belief) if count > 1 else "0"
        self.put(f"node_{name} = {label}[{mode} * {count} + {belief}]")

    def _close_belief(self, item: FreeInput) -> None:
        history, belief = item.history, self.name(item.belief)
        if len(history.beliefs) < 2:
            return
        if item.live == TRUE:
            self._end(item)
            return
        with self.inside(f"if {self.value(item.live)}:"):
            self._end(item)
        with self.inside("else:"):
            self.put(f"{belief} = {history.forgotten}")

    def _end(self, item: FreeInput) -> None:
        name, history, belief = item.signal.name, item.history, self.name(item.belief)
        self.put(f"{belief} = {self.table(f'{name}__ends', history.ends)}[node_{name}]")
        if not history.resolves:
            return
        firsts, flat = [0], list[int]()
        for members in history.members:
            flat += members
            firsts.append(len(flat))
        first = self.table(f"{name}__first", tuple(firsts))
        member = self.table(f"{name}__member", tuple(flat))
        count, chosen = self._temporary(), self._temporary()
        self.put(f"{count} = {first}[{belief} + 1] - {first}[{belief}]")
        with self.inside(f"if {count} > 1:"):
            self.choose(chosen, count)
            self.put(f"{belief} = {member}[{first}[{belief}] + {chosen}]")

    # -- packed states ---------------------------------------------------------------------

    def _written(self) -> set[Cell]:
        """Cells that a tick writes, so that every leaf must begin with their old values."""
        loop = self.loop
        blocks = (*loop.before, *loop.controller.observe, *loop.controller.decide, *loop.after)
        sense = tuple(item for signal in loop.sensed for item in signal.sense)
        beliefs = {item.belief for item in loop.free}
        return {*cells_written((*blocks, *sense, *loop.settle, *loop.moves)), *beliefs}

    def _unpack(self) -> None:
        """Values of the stored cells, once a state; ``k_`` those that its leaves overwrite."""
        written = self._written()
        for item in self.fields:
            target = f"{'k' if item.cell in written else 'v'}_{c_name(item.cell)}"
            self.put(f"{target} = {self._field(item)}")
        for cell in self._unstored():
            if cell not in written:
                self.put(f"{self.name(cell)} = {cell.start}")

    def _reset(self) -> None:
        written = self._written()
        for item in self.fields:
            if item.cell in written:
                self.put(f"{self.name(item.cell)} = k_{c_name(item.cell)}")
        for cell in self._unstored():
            if cell in written:
                self.put(f"{self.name(cell)} = {cell.start}")

    def _unstored(self) -> list[Cell]:
        """Cells with a value that no key holds: it is known, or written before it is read."""
        loop = self.loop
        stored = {item.cell for item in self.fields}
        every = (*loop.controller.cells, *loop.plant.cells, loop.fault, loop.dark)
        return [cell for cell in every if cell not in stored]

    def _field(self, item: PackedField) -> str:
        low = f" + {item.cell.low}" if item.cell.low > 0 else f" - {-item.cell.low}" if item.cell.low else ""
        mask = (1 << item.bits) - 1
        if self.dialect is Dialect.PLAIN:
            return f"(key >> {item.offset} & {mask}){low}"
        word, shift = divmod(item.offset, 64)
        text = f"states[row, {word}] >> uint64({shift})"
        if shift + item.bits > 64:
            text = f"({text} | states[row, {word + 1}] << uint64({64 - shift}))"
        return f"int64({text} & uint64({mask})){low}"

    def _pack(self, target: str, fields: list[PackedField], onto: str | None = None) -> None:
        if self.dialect is Dialect.PLAIN:
            terms = [f"{self._offset_value(item)} << {item.offset}" for item in fields]
            self.put(f"{target} = {' | '.join([*([onto] if onto else []), *terms]) or '0'}")
            return
        words: list[list[str]] = [[f"{onto}{word}"] if onto else [] for word in range(self.words)]
        for item in fields:
            word, shift = divmod(item.offset, 64)
            value = f"uint64({self._offset_value(item)})"
            words[word].append(f"{value} << uint64({shift})")
            if shift + item.bits > 64:
                words[word + 1].append(f"{value} >> uint64({64 - shift})")
        for word, terms in enumerate(words):
            self.put(f"{target}{word} = {' | '.join(terms) or 'uint64(0)'}")

    def _offset_value(self, item: PackedField) -> str:
        low = item.cell.low
        return f"({self.name(item.cell)} - {low})" if low else self.name(item.cell)

    def _insert(self) -> None:
        if self.dialect is Dialect.PLAIN:
            with self.inside("if to not in seen:"):
                self.put("seen[to] = depth")
                self.put("push(to)")
            return
        words = range(self.words)
        self.put("h = uint64(0x9E3779B97F4A7C15)")
        for word in words:
            self.put(f"h = (h ^ to{word}) * uint64(0xD6E8FEB86659FD93)")
            self.put("h ^= h >> uint64(32)")
        self.put("slot = int64(h & mask)")
        with self.inside("while True:"):
            self.put("entry = int64(table[slot])")
            with self.inside("if entry == 0:"):
                with self.inside("if count == room:"):
                    self.put("return -1, transitions")
                for word in words:
                    self.put(f"states[count, {word}] = to{word}")
                self.put("count += 1")
                self.put("table[slot] = count")
                self.put("break")
            same = " and ".join(f"states[entry - 1, {word}] == to{word}" for word in words)
            with self.inside(f"if {same}:"):
                self.put("break")
            self.put("slot = int64(uint64(slot + 1) & mask)")


_HEAD: dict[Dialect, str] = {
    Dialect.PLAIN: "def expand(level, seen, depth, broken, taken):",
    Dialect.NUMBA: "def expand(states, table, low, high, count, depth, broken, taken, pick, size):",
}

_START: dict[Dialect, tuple[str, ...]] = {
    Dialect.PLAIN: (
        "following = []",
        "push = following.append",
        "transitions = 0",
        f"pick = [0] * {MOST_CHOICES}",
        f"size = [0] * {MOST_CHOICES}",
    ),
    Dialect.NUMBA: (
        "transitions = 0",
        "room = states.shape[0]",
        "mask = uint64(table.shape[0] - 1)",
    ),
}
