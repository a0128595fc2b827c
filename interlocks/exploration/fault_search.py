"""The one-fault search asked fault by fault: what breaks under each, and whether the machine stops.

``fault_scc.h`` says what is computed; here the loop gets its goal, the pass is run and its answers
come back by fault number. The search is the check's own; only the pass over its states is added.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path as FilePath

from stillgate.controller.c.toolchain import build_library, find_compiler
from stillgate.controller.effort import Effort
from stillgate.controller.errors import ProgramFault
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.program import (
    Assign,
    Complement,
    Constant,
    Operation,
    Ref,
    Term,
    conjunction,
    disjunction,
)
from stillgate.sim_io.faults.fault_list import FaultKind

from ..loop.closed_loop import ClosedLoop, goal_cell
from ..loop.counterexample import Path, Replay, replay
from ..loop.interpreter import LoopRunner
from ..loop.state_layout import packed_fields, unpack
from .engine_abi import Code, fault, key_number
from .explorer import Explorer, FirstEvent
from .search import OPTIONS, checker_files


def hazardous_outputs(machine: Machine) -> tuple[str, ...]:
    """Outputs that name a hazard; all outputs where none does."""
    named = tuple(name for name, item in machine.outputs.items() if item.hazard is not None)
    return named or tuple(machine.outputs)


def with_work_goal(loop: ClosedLoop) -> ClosedLoop:
    """The loop with one goal: the machine works."""
    term = machine_works(loop)
    monitors = replace(loop.monitors, goals=(("works", term),))
    return replace(loop, monitors=monitors, after=(*loop.after, Assign(goal_cell(0), term)))


def machine_works(loop: ClosedLoop) -> Term:
    """Whether the machine works: an output with a hazard is driven, the one that is stuck on aside."""
    stuck = {item.subject: item.number for item in loop.faults if item.kind is FaultKind.OUTPUT_ON}
    terms: list[Term] = []
    for name in hazardous_outputs(loop.machine):
        driven: Term = Ref(loop.plant.driven[name])
        if name in stuck:
            own = Operation(Operator.EQ, Ref(loop.fault), Constant(stuck[name]))
            driven = conjunction((driven, Complement(own)))
        terms.append(driven)
    return disjunction(tuple(terms))


def build_fault_checker(
    loop: ClosedLoop, on_slow_build: Callable[[], None] | None = None, effort: Effort | None = None
) -> FilePath:
    """Shared library of a loop's checker with the fault pass."""
    field = next(item for item in packed_fields(loop) if item.cell == loop.fault)
    files = checker_files(loop)
    files["checker.c"] += (
        f'#define SG_FAULT_AT {field.offset}\n#define SG_FAULT_BITS {field.bits}\n#include "fault_scc.h"\n'
    )
    return build_library(
        files,
        "checker.c",
        options=OPTIONS,
        compiler=find_compiler(),
        on_slow_build=on_slow_build,
        effort=effort,
    )


@dataclass(frozen=True, slots=True)
class UnderFault:
    """What the pass says of one fault."""

    situations: int
    ends: bool | None  # every run comes to stand for good; None: not found out
    longest: int  # ticks from its beginning until then, if so
    restless: bool  # a run stops and works again for ever
    breaks: dict[int, FirstEvent]  # by index of the broken requirement


class _Row(ctypes.Structure):
    """``sg_fault_row``."""

    _fields_ = [
        ("states", ctypes.c_uint64),
        ("longest", ctypes.c_uint32),
        ("endless", ctypes.c_uint32),
        ("restless", ctypes.c_uint32),
        ("begins", ctypes.c_uint32),
    ]


class FaultExplorer(Explorer):
    """An explorer whose library holds the fault pass."""

    def __init__(self, loop: ClosedLoop, library: FilePath, effort: Effort | None = None) -> None:
        super().__init__(library, effort)
        self.loop = loop

    def by_fault(self) -> dict[int, UnderFault] | None:
        """What each fault leads to, by its number; None if memory or patience ended first.

        Raises:
            ProgramFault: if the tables are damaged.
        """
        field = next(item for item in packed_fields(self.loop) if item.cell == self.loop.fault)
        count = 1 << field.bits
        rows = (_Row * count)()
        records = (self._library.Record * (count * self.breaks))()
        call = self._lib.sg_fault_pass
        call.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p]
        code = self._call(lambda: call(self._run, rows, records), lambda: not self.effort.over)
        if code in (Code.STOPPED, Code.CAPPED_MEMORY):
            return None
        if code:
            raise fault(code)
        found: dict[int, UnderFault] = {}
        for item in self.loop.faults:
            row = rows[item.number]
            breaks = {
                event: FirstEvent(raw.depth, key_number(raw.start), tuple(raw.pick[: raw.picks]))
                for event in range(self.breaks)
                if (raw := records[item.number * self.breaks + event]).depth
            }
            # The last tick in which it works is one before the first in which it stands.
            ticks = row.longest + 1 if row.longest else row.begins
            found[item.number] = UnderFault(row.states, not row.endless, ticks, bool(row.restless), breaks)
        return found

    def replays(self, wanted: list[tuple[int, FirstEvent]]) -> list[Replay]:
        """The ways to breaks, given as (index, record).

        Raises:
            OutOfTime: if the time was over before all were there.
            ProgramFault: if a replayed story does not break what it should.
        """
        fields = packed_fields(self.loop)
        runs: list[Replay] = []
        look = self.effort.closing().look
        runner = LoopRunner(self.loop)
        paths = self.paths([(record.start, record.depth - 1) for _, record in wanted])
        for (event, record), path in zip(wanted, paths, strict=True):
            keys = tuple(unpack(fields, key) for key in path.keys)
            run = replay(self.loop, Path(keys, (*path.picks, record.picks)), look=look, runner=runner)
            if event not in run.ticks[-1].broken:
                name = self.loop.requirement_names[event]
                raise ProgramFault(f"the replayed story of {name} does not break it")
            runs.append(run)
        return runs
