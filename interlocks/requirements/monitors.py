"""Requirements as finite monitors inside the program.

A monitor reads the instant after the outputs are written. Every instant counts, triggers
are levels, the same instant counts, limits are inclusive. How many ticks n a time t comes to says
``requirement_times``, of ``held`` in any of the conditions too.

* ``after P then Q within t``: ``age`` is 1 + ticks since the oldest trigger not yet served, and
  the requirement is broken at the first instant with Q false and age - 1 >= n. A negative n
  cannot be met: the trigger alone breaks it.
* ``after P keep Q for t``: ``left`` is how many instants Q must still hold, restarted by every trigger.
* ``before P first S since R``: ``seen`` remembers S, and R forgets it; S in the same instant
  as R or P counts.

After a break a monitor drops its obligation and goes on, so one requirement's break hides
nothing of the others. A loss of power resets no monitor.

Sources: patterns of Dwyer, Avrunin, Corbett (ICSE 1999) and Konrad, Cheng (ICSE 2005).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import partial

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Milliseconds
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
from stillgate.controller.program.clocks import Clock, ClockKind
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Complement,
    Constant,
    If,
    Note,
    NoteKind,
    Operation,
    Ref,
    Scope,
    Statement,
    Term,
    walk_term,
)
from stillgate.sim_io.parts.plant import Plant

from .requirement_lowering import RequirementTerms, asks
from .requirement_times import invariance_ticks, response_ticks


@dataclass(frozen=True, slots=True)
class Monitors:
    """All monitored requirements of a machine.

    ``early`` runs at the start of a step, before anything changes, ``block`` once the outputs are written.
    ``requirements`` names them all; ``broken`` names the requirement of each BROKEN index from
    ``first_index`` on; ``triggers`` names what each COVERED index from ``first_mark`` on stands for;
    ``goals`` are the terms of possibility requirements, judged in the same instant. ``obligations`` holds, by
    requirement, the cell that remembers what it waits for: ticks since the trigger of a response, ticks left
    of an invariance, whether what must come first of a precedence has come.
    """

    requirements: tuple[str, ...]
    cells: tuple[Cell, ...]
    clocks: tuple[Clock, ...]
    early: Block
    block: Block
    broken: tuple[str, ...]
    first_index: int
    triggers: tuple[str, ...]
    first_mark: int
    goals: tuple[tuple[str, Term], ...]
    obligations: Mapping[str, Cell]


def is_judged(requirement: Requirement, faults: int, *, possibility: bool) -> bool:
    """Whether a loop with so many faults judges a requirement.

    Not under faults where it names no hazard and the file says ``faults: 0``: what one layer owes to the
    next. What a fault does to a hazard is always looked for.
    """
    if isinstance(requirement, Reach | FromAnywhere):
        return possibility
    return not faults or requirement.hazard is not None or requirement.faults != 0


def asks_possibility(machine: Machine) -> bool:
    """Whether some requirement asks what is possible."""
    return any(isinstance(item, Reach | FromAnywhere) for item in machine.requirements.values())


def fault_budget(machine: Machine, asked: int | None) -> int:
    """How many faults a check looks under: as asked, else as the file says.

    A requirement that must withstand a fault is looked at under one, whatever ``check`` says of the others:
    a verdict without faults would say less of it than the file asks.
    """
    if asked is not None:
        return asked
    own = [
        item.faults or 0
        for item in machine.requirements.values()
        if not isinstance(item, Reach | FromAnywhere)
    ]
    return max(machine.check.faults, *own) if own else machine.check.faults


def lower_monitors(
    machine: Machine,
    controller: ControllerProgram,
    plant: Plant,
    circuits: dict[str, Cell],
    tick: Milliseconds,
    *,
    triggers: bool = True,
    judged: Collection[str] | None = None,
    early: bool = False,
) -> Monitors:
    """Monitors for every requirement.

    Args:
        early: look at the start of a step whether a sequence was in a state that an edge is asked of,
            instead of keeping it: the stored state tells it. Verdicts are the same.
        judged: names of the requirements; None for all of the machine's. A cell that two choices have in
            common is named alike in both.
        circuits: the cell of the healthy circuit of every input that has one; inputs without
            are free and answered on demand.
        triggers: note every trigger that happens, so that vacuous verdicts can be told. Without
            it a monitor asks for a trigger only where the response is missing; verdicts are
            the same.
    """
    names = machine.requirements if judged is None else judged
    terms = RequirementTerms(machine, controller, plant, circuits, tick, judged=names, early=early)
    return _Lowering(machine, controller, terms, names, note_triggers=triggers).monitors()


class _Lowering:
    def __init__(
        self,
        machine: Machine,
        controller: ControllerProgram,
        terms: RequirementTerms,
        judged: Collection[str],
        *,
        note_triggers: bool,
    ) -> None:
        self.machine = machine
        self.judged = {name: item for name, item in machine.requirements.items() if name in judged}
        self.note_triggers = note_triggers
        self.terms = terms
        self.breaks = partial(terms.term, breaks=True)
        self.satisfies = partial(terms.term, breaks=False)
        self.tick = terms.tick
        self.first_index = len(controller.bounds_marks) + len(controller.overlap_marks)
        self.first_mark = len(controller.exit_marks)
        self.cells: list[Cell] = []
        self.clocks: list[Clock] = []
        self.triggers: list[str] = []
        self.broken: list[str] = []
        self.goals: list[tuple[str, Term]] = []
        self.obligations: dict[str, Cell] = {}

    def monitors(self) -> Monitors:
        block: list[Statement] = []
        for name, requirement in self.judged.items():
            block += self._monitor(name, requirement)
        return Monitors(
            requirements=tuple(self.judged),
            cells=(*self.terms.cells, *self.cells),
            clocks=(*self.terms.clocks, *self.clocks),
            early=tuple(self.terms.early),
            block=(*self.terms.block, *block),
            broken=tuple(self.broken),
            first_index=self.first_index,
            triggers=tuple(self.triggers),
            first_mark=self.first_mark,
            goals=tuple(self.goals),
            obligations=self.obligations,
        )

    # -- patterns ------------------------------------------------------------------------

    def _monitor(self, name: str, requirement: Requirement) -> Block:
        match requirement:
            case Reach(reach=condition) | FromAnywhere(from_anywhere=condition):
                self.goals.append((name, self.satisfies(condition.tree)))
                return ()
            case Never(never=condition):
                return (If(self.breaks(condition.tree), (self._break(name),)),)
            case Always(always=condition):
                return (If(Complement(self.satisfies(condition.tree)), (self._break(name),)),)
            case Response():
                return self._response(name, requirement)
            case Invariance():
                return self._invariance(name, requirement)
            case Precedence():
                return self._precedence(name, requirement)

    def _break(self, name: str) -> Note:
        if name not in self.broken:
            self.broken.append(name)
        return Note(NoteKind.BROKEN, self.first_index + self.broken.index(name))

    def _trigger(self, name: str) -> Note:
        self.triggers.append(name)
        return Note(NoteKind.COVERED, self.first_mark + len(self.triggers) - 1)

    def _obligation(self, name: str, what: str, high: int) -> Cell:
        cell = self.obligations[name] = Cell(f"{name}.{what}", 0, high, 0, Scope.MONITOR)
        self.cells.append(cell)
        return cell

    def _response(self, name: str, item: Response) -> Block:
        limit = response_ticks(item.within, self.machine.scan, self.tick)
        trigger, served = self.breaks(item.after.tree), self.satisfies(item.then.tree)
        broken = self._break(name)
        # A trigger of free inputs alone needs no witness: it may happen at any time.
        witness = self.note_triggers and not _only_asks(trigger)
        happened: Block = (self._trigger(name),) if witness else ()
        served_first = not witness and asks(trigger)
        if limit < 0:
            return (If(trigger, (*happened, broken)),)
        if limit == 0 and served_first:
            return (If(served, (), (If(trigger, (broken,)),)),)
        if limit == 0:
            return (If(trigger, (*happened, If(served, (), (broken,)))),)
        age = self._obligation(name, "age", limit)
        self.clocks.append(
            Clock(age, ClockKind.RESPONSE, Constant(limit + 1))
        )  # never reached: dropped before
        waiting = Operation(Operator.GT, Ref(age), Constant(0))
        due = Operation(Operator.GE, Ref(age), Constant(limit))
        drop = Assign(age, Constant(0))
        begin = Assign(age, Constant(1))
        older = Assign(age, Operation(Operator.ADD, Ref(age), Constant(1)))
        return (
            If(
                waiting,
                (If(served, (drop,), (If(due, (drop, broken), (older,)),)),),
                (If(served, (), (If(trigger, (begin,)),)),)
                if served_first
                else (If(trigger, (*happened, If(served, (), (begin,)))),),
            ),
        )

    def _invariance(self, name: str, item: Invariance) -> Block:
        ticks = invariance_ticks(item.during, self.tick)
        trigger, kept = self.breaks(item.after.tree), self.satisfies(item.keep.tree)
        happened, broken = self._trigger(name), self._break(name)
        if ticks == 0:
            return (If(trigger, (happened, If(kept, (), (broken,)))),)
        left = self._obligation(name, "left", ticks)
        self.clocks.append(Clock(left, ClockKind.INVARIANCE, Constant(ticks)))
        less = Assign(left, Operation(Operator.SUB, Ref(left), Constant(1)))
        drop = Assign(left, Constant(0))
        return (
            If(
                trigger,
                (happened, If(kept, (Assign(left, Constant(ticks)),), (drop, broken))),
                (
                    If(
                        Operation(Operator.GT, Ref(left), Constant(0)),
                        (If(kept, (less,), (drop, broken)),),
                    ),
                ),
            ),
        )

    def _precedence(self, name: str, item: Precedence) -> Block:
        seen = self._obligation(name, "seen", 1)
        block: list[Statement] = []
        if item.since is not None:
            forget = If(self.breaks(item.since.tree), (Assign(seen, FALSE),))
            block.append(If(Ref(seen), (forget,)))
        block.append(If(Ref(seen), (), (If(self.satisfies(item.first.tree), (Assign(seen, TRUE),)),)))
        block.append(
            If(
                self.breaks(item.before.tree),
                (self._trigger(name), If(Ref(seen), (), (self._break(name),))),
            )
        )
        return tuple(block)


def _only_asks(term: Term) -> bool:
    return asks(term) and not any(isinstance(node, Ref) for node in walk_term(term))
