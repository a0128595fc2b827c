"""Switches, valves, power and the scan with what disturbs them, lowered to statements.

In every scan a circuit passes these stages on its way to the controller's terminal, and
what the controller asks for passes those on the right on its way to the valve. A stage that
no disturbance needs is not there, and a disturbance that is not present lets everything pass::

    circuit ─► swapped ─► delays ─► bounce ─► intermittent ─► stuck ─► as wired
    asked   ─► swapped ─► delays, slow ─► hangs ─► stuck ─► as driven

Times are rounded up to whole scans: a bounce of 10 ms at a scan of 20 ms makes the one sample
at the change uncertain. A delay starts anew when the level goes back, so shorter pulses
vanish. A disturbance that begins takes the present level as the settled one.

Without power the controller does not scan and asks for nothing; when power is back it starts
cold. In an overrun it does not scan and keeps asking for what it asked; its own times do not
count those scans. Parts, operator and requirements go on in both.

Not modelled: voltages between on and off, cross-talk, valves that stop half-way.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Operation,
    Ref,
    Scope,
    Statement,
    Term,
    conjunction,
    disjunction,
    ticks_up,
)

from .disturbances import Disturbance, DisturbanceKind

UNKNOWN = 2
"""Level that a stage remembers before it has seen one."""

QUANTILES = 64

_STAGES = (
    DisturbanceKind.SWAPPED,
    DisturbanceKind.PICK_UP,
    DisturbanceKind.DROP_OUT,
    DisturbanceKind.SLOW,
    DisturbanceKind.BOUNCE,
    DisturbanceKind.INTERMITTENT,
    DisturbanceKind.HANGS,
    DisturbanceKind.STUCK_ON,
    DisturbanceKind.STUCK_OFF,
)
"""Kinds in the order in which a level passes them."""


@dataclass(frozen=True)
class Switchgear:
    """Everything between circuits and controller, and between controller and parts.

    Attributes:
        present: for every disturbance the cell that is 1 while it is there; set by whoever runs
            it. One dip or one overrun takes its own away again.
        cells: what the stages remember, ``present`` and ``cut`` included.
        before: circuits to ``wired``, ``lost`` and ``late``; runs before the scan.
        after: what is asked to what is driven; runs after the scan.
        wired: for every input the truth of what reaches its terminal.
        cut: 1 while power is switched off by somebody.
        lost: 1 if the controller has no power in this scan.
        late: 1 if this scan is still taken up by the one before.
    """

    present: dict[Disturbance, Cell]
    cells: tuple[Cell, ...]
    before: Block
    after: Block
    wired: dict[str, Term]
    cut: Cell
    lost: Cell
    late: Cell


def lower_switches(
    disturbances: Iterable[Disturbance],
    circuits: dict[str, Cell],
    asked: dict[str, Cell],
    driven: dict[str, Cell],
    period: Milliseconds,
    *,
    from_start: Iterable[Disturbance] = (),
) -> Switchgear:
    """The switchgear of a machine.

    Args:
        disturbances: all that may be there at some time.
        circuits: the cell of every input's healthy circuit.
        asked: the cell of what the controller asks of every output.
        driven: the cell of what every output physically does.
        period: scan of the controller.
        from_start: those of the disturbances that are there from the beginning.
    """
    return _Lowering(tuple(dict.fromkeys(disturbances)), frozenset(from_start), period).lower(
        circuits, asked, driven
    )


def spread(mean: Ticks) -> tuple[Ticks, ...]:
    """Waiting times with a mean, as quantiles of the exponential distribution, at least one tick.

    So drops and dips come without memory of the last one.
    """
    steps = (-math.log(1 - (number + 0.5) / QUANTILES) for number in range(QUANTILES))
    return tuple(max(1, round(step * mean)) for step in steps)


@dataclass
class _Lowering:
    disturbances: tuple[Disturbance, ...]
    from_start: frozenset[Disturbance]
    period: Milliseconds
    cells: list[Cell] = field(default_factory=list)
    present: dict[Disturbance, Cell] = field(default_factory=dict)

    def lower(self, circuits: dict[str, Cell], asked: dict[str, Cell], driven: dict[str, Cell]) -> Switchgear:
        for item in self.disturbances:
            self.present[item] = self._keep(item, "present", 1, start=int(item in self.from_start))
        cut = Cell("power.cut", 0, 1, 0, Scope.FAULT)
        lost = Cell("power.lost", 0, 1, 0, Scope.FAULT, persistent=False)
        late = Cell("scan.late", 0, 1, 0, Scope.FAULT, persistent=False)
        self.cells.append(cut)
        before, wired = self._passing({name: Ref(cell) for name, cell in circuits.items()})
        after, levels = self._passing({name: Ref(cell) for name, cell in asked.items()})
        supply, without_power, taken_up = self._supply()
        before += [
            *supply,
            Assign(lost, disjunction((Ref(cut), *without_power))),
            Assign(late, disjunction(tuple(taken_up))),
        ]
        after += [Assign(driven[name], level) for name, level in levels.items()]
        return Switchgear(
            dict(self.present), tuple(self.cells), tuple(before), tuple(after), wired, cut, lost, late
        )

    # -- cells -----------------------------------------------------------------------------

    def _name(self, item: Disturbance, what: str) -> str:
        subject = item.subjects[0] if item.subjects else "whole"
        manner = re.sub(r"[^A-Za-z0-9]+", "_", item.manner).strip("_")
        return f"{subject}.{manner}.{what}"

    def _keep(self, item: Disturbance, what: str, high: int, *, start: int = 0) -> Cell:
        cell = Cell(self._name(item, what), 0, high, start, Scope.FAULT)
        self.cells.append(cell)
        return cell

    def _local(self, item: Disturbance, what: str, high: int = 1) -> Cell:
        return Cell(self._name(item, what), 0, high, 0, Scope.FAULT, persistent=False)

    def _there(self, item: Disturbance) -> Term:
        return Ref(self.present[item])

    def _ticks(self, time: Milliseconds) -> Ticks:
        return max(1, ticks_up(time, self.period))

    # -- levels ----------------------------------------------------------------------------

    def _passing(self, levels: dict[str, Term]) -> tuple[list[Statement], dict[str, Term]]:
        """Statements that pass levels through the stages of what is about them, and what comes out."""
        block: list[Statement] = []
        for kind in _STAGES:
            for item in self.disturbances:
                if item.kind is not kind or item.subjects[0] not in levels:
                    continue
                if kind is DisturbanceKind.SWAPPED:
                    levels = self._swapped(item, levels)
                    continue
                name = item.subjects[0]
                stage, levels[name] = self._stage(item, levels[name])
                block += stage
        return block, levels

    def _swapped(self, item: Disturbance, levels: dict[str, Term]) -> dict[str, Term]:
        one, two = item.subjects
        there = self._there(item)

        def either(own: Term, other: Term) -> Term:
            return disjunction((conjunction((there, other)), conjunction((Complement(there), own))))

        return levels | {
            one: either(levels[one], levels[two]),
            two: either(levels[two], levels[one]),
        }

    def _stage(self, item: Disturbance, level: Term) -> tuple[Block, Term]:
        match item.kind:
            case DisturbanceKind.STUCK_ON:
                return (), disjunction((self._there(item), level))
            case DisturbanceKind.STUCK_OFF:
                return (), conjunction((Complement(self._there(item)), level))
            case DisturbanceKind.PICK_UP:
                return self._delayed(item, level, self._ticks(item.time), 0)
            case DisturbanceKind.DROP_OUT:
                return self._delayed(item, level, 0, self._ticks(item.time))
            case DisturbanceKind.SLOW:
                return self._delayed(item, level, self._ticks(item.time), self._ticks(item.time))
            case DisturbanceKind.BOUNCE:
                return self._bouncing(item, level)
            case DisturbanceKind.INTERMITTENT:
                return self._dropping(item, level)
            case _:
                return self._hanging(item, level)

    def _delayed(self, item: Disturbance, level: Term, on: Ticks, off: Ticks) -> tuple[Block, Term]:
        raw, out = self._local(item, "in"), self._local(item, "level")
        settled = self._keep(item, "settled", UNKNOWN, start=UNKNOWN)
        waited = self._keep(item, "waited", max(on, off))
        follow: Block = (Assign(settled, Ref(raw)), Assign(waited, Constant(0)))

        def waiting(limit: Ticks) -> Block:
            if not limit:
                return follow
            return (If(_at_least(waited, limit), follow, (_one_more(waited),)),)

        change: Block = (If(_is(settled, UNKNOWN), follow, (If(Ref(raw), waiting(on), waiting(off)),)),)
        run: Block = (
            If(Operation(Operator.NE, Ref(raw), Ref(settled)), change, (Assign(waited, Constant(0)),)),
            Assign(out, Ref(settled)),
        )
        absent: Block = (
            Assign(settled, Constant(UNKNOWN)),
            Assign(waited, Constant(0)),
            Assign(out, Ref(raw)),
        )
        return (Assign(raw, level), If(self._there(item), run, absent)), Ref(out)

    def _bouncing(self, item: Disturbance, level: Term) -> tuple[Block, Term]:
        raw, back = self._local(item, "in"), self._local(item, "back")
        was = self._keep(item, "was", UNKNOWN, start=UNKNOWN)
        left = self._keep(item, "left", self._ticks(item.time))
        returns = self._keep(item, "returns", item.returns)
        out = self._keep(item, "level", 1)
        arrive: Statement = Assign(out, Ref(raw))
        goes_back: Block = (
            If(
                conjunction((Operation(Operator.EQ, Ref(out), Ref(raw)), _more_than(returns, 0))),
                (Assign(out, Complement(Ref(raw))), _one_less(returns)),
            ),
        )
        begins: Block = (
            If(
                _is(was, UNKNOWN),
                (arrive,),
                (Assign(left, Constant(left.high)), Assign(returns, Constant(item.returns))),
            ),
            Assign(was, Ref(raw)),
        )
        uncertain: Block = (_one_less(left), Choose(back, 2), If(Ref(back), goes_back, (arrive,)))
        run: Block = (
            If(Operation(Operator.NE, Ref(raw), Ref(was)), begins),
            If(_more_than(left, 0), uncertain, (arrive,)),
        )
        absent: Block = (Assign(was, Constant(UNKNOWN)), Assign(left, Constant(0)), arrive)
        return (Assign(raw, level), If(self._there(item), run, absent)), Ref(out)

    def _dropping(self, item: Disturbance, level: Term) -> tuple[Block, Term]:
        out = self._local(item, "level")
        most = self._ticks(item.longest)
        drop = self._keep(item, "drop", most)
        length = self._local(item, "length", most - 1)
        drops: Block = (Choose(length, most), Assign(drop, Ref(length)), Assign(out, FALSE))
        healthy: Block = (Assign(out, level),)
        run: Block = (
            If(
                _more_than(drop, 0),
                (_one_less(drop), Assign(out, FALSE)),
                self._again_and_again(item, item.time, drops, healthy),
            ),
        )
        absent: Block = (Assign(drop, Constant(0)), *self._forget(item), Assign(out, level))
        return (If(self._there(item), run, absent),), Ref(out)

    def _hanging(self, item: Disturbance, level: Term) -> tuple[Block, Term]:
        raw, out = self._local(item, "in"), self._local(item, "level")
        held = self._keep(item, "held", UNKNOWN, start=UNKNOWN)
        run: Block = (If(_is(held, UNKNOWN), (Assign(held, Ref(raw)),)), Assign(out, Ref(held)))
        absent: Block = (Assign(held, Ref(raw)), Assign(out, Ref(raw)))
        return (Assign(raw, level), If(self._there(item), run, absent)), Ref(out)

    # -- what comes again and again ----------------------------------------------------------

    def _gap_cells(self, item: Disturbance, mean: Milliseconds) -> tuple[Cell, Cell, tuple[Ticks, ...]]:
        table = spread(self._ticks(mean))
        gap = Cell(self._name(item, "gap"), 0, max(table), 0, Scope.FAULT)
        begun = Cell(self._name(item, "begun"), 0, 1, 0, Scope.FAULT)
        return gap, begun, table

    def _again_and_again(self, item: Disturbance, mean: Milliseconds, comes: Block, waits: Block) -> Block:
        """One tick of something that comes after waits with a mean; at least one tick lies between."""
        gap, begun, table = self._gap_cells(item, mean)
        self.cells += [gap, begun]
        drawn = self._local(item, "drawn", QUANTILES - 1)
        again: Block = (Choose(drawn, QUANTILES), Assign(gap, Lookup(table, Ref(drawn))))
        return (
            If(Ref(begun), (), (*again, Assign(begun, TRUE))),
            If(_is(gap, 0), (*again, *comes), (_one_less(gap), *waits)),
        )

    def _forget(self, item: Disturbance) -> Block:
        _, begun, _ = self._gap_cells(item, item.time)
        return (Assign(begun, FALSE),)

    # -- power and scan ----------------------------------------------------------------------

    def _supply(self) -> tuple[Block, list[Term], list[Term]]:
        """Statements of power and scan; when power is lost; when the scan is taken up."""
        block: list[Statement] = []
        lost: list[Term] = []
        late: list[Term] = []
        for item in self.disturbances:
            match item.kind:
                case DisturbanceKind.POWER_LOST:
                    lost.append(self._there(item))
                case DisturbanceKind.POWER_DIP:
                    lost.append(self._lasting(item, self._ticks(item.time), block))
                case DisturbanceKind.OVERRUN:
                    # The scan itself is one of the periods that it takes.
                    late.append(self._lasting(item, self._ticks(item.time) - 1, block))
                case _:
                    pass
        return tuple(block), lost, late

    def _lasting(self, item: Disturbance, ticks: Ticks, block: list[Statement]) -> Term:
        """Something that lasts some scans once it begins; true in each of them."""
        left = self._keep(item, "left", max(1, ticks))
        now = self._local(item, "now")
        begin: Statement = Assign(left, Constant(ticks))
        begins: Block = (begin, Assign(self.present[item], FALSE))
        if item.every:
            begins = (If(_is(left, 0), self._again_and_again(item, item.every, (begin,), ())),)
        block += [
            If(self._there(item), begins),
            Assign(now, _more_than(left, 0)),
            If(Ref(now), (_one_less(left),)),
        ]
        return Ref(now)


def _is(cell: Cell, value: int) -> Term:
    return Operation(Operator.EQ, Ref(cell), Constant(value))


def _more_than(cell: Cell, value: int) -> Term:
    return Operation(Operator.GT, Ref(cell), Constant(value))


def _at_least(cell: Cell, value: int) -> Term:
    return Operation(Operator.GE, Ref(cell), Constant(value))


def _one_less(cell: Cell) -> Statement:
    return Assign(cell, Operation(Operator.SUB, Ref(cell), Constant(1)))


def _one_more(cell: Cell) -> Statement:
    return Assign(cell, Operation(Operator.ADD, Ref(cell), Constant(1)))
