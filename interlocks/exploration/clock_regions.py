"""Counters of time: between which constants one value is as good as another.

The first stage of a tick compares such a counter with a few constants, and moves it by one
or sets it to a constant. A value that is not next to any of those constants behaves like
its neighbours, so the engine keeps one result for a whole stretch of values
(``segments.h``).
"""

from __future__ import annotations

from collections.abc import Mapping

from stillgate.controller.c.emit_c import c_name
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.program.program import (
    Cell,
    Constant,
    Lookup,
    Observation,
    Operation,
    Read,
    Ref,
    Term,
    TimeConstant,
    terms_in,
    ticks_up,
    walk_term,
)

from ..loop.closed_loop import ClosedLoop
from ..loop.state_layout import PackedField


def counter_source(constants: Mapping[Cell, set[int]], fields: tuple[PackedField, ...]) -> list[str]:
    """C tables of the stored counters of time and their stretches.

    Args:
        constants: those of ``critical_constants``.
    """
    rows: list[str] = []
    lines: list[str] = []
    for item in fields:
        if item.cell not in constants:
            continue
        table = stretches(item.cell.high, constants[item.cell])
        if len(set(table)) <= item.cell.high:
            label = f"{c_name(item.cell)}__stretch"
            lines.append(f"static const uint32_t {label}[] = {{{', '.join(map(str, table))}}};")
            rows.append(f"{{{item.offset}, {item.bits}, {label}}}")
    lines.append(f"#define SG_COUNTERS {len(rows)}")
    body = ", ".join(rows) or "{0, 1, 0}"
    return [*lines, f"static const sg_counter sg_counters[] = {{{body}}};"]


def critical_constants(loop: ClosedLoop) -> dict[Cell, set[int]]:
    """Every constant that a counter of time is compared with or set to.

    Only counters that statements set to a constant or move by one are listed; ``elapsed``,
    ``run``, ``age`` and ``left`` are made that way and no user's expression can name them.
    """
    period = loop.tick
    constants: dict[Cell, set[int]] = {}
    for sequence in loop.controller.sequences:
        if sequence.elapsed is not None:
            times = [item.after for items in sequence.exits for item in items if item.after is not None]
            constants[sequence.elapsed] = {0, 1, *(ticks_up(time, period) for time in times)}
    for signal in loop.sensed:
        if signal.run is not None:
            constants[signal.run] = {0, 1, signal.run.high}
    for observer in loop.controller.observers:
        constants[observer.run] = {0, 1, observer.run.high}
    for clock in loop.monitors.clocks:
        constants[clock.cell] = {0, 1, clock.cell.high}
    blocks = (
        *loop.controller.observe, *loop.controller.decide, *loop.after, *loop.before, *loop.settle,
        *(statement for signal in loop.sensed for statement in signal.sense),
    )  # fmt: skip
    for term in terms_in(blocks):
        match term:
            case Operation(left=Ref(cell=cell), right=right) if cell in constants:
                found = constants_in(right, period)
                constants[cell] |= set(found)
            case Read(observation=Observation.HELD, signal=name, milliseconds=milliseconds):
                for signal in loop.sensed:
                    if signal.name == name and signal.run is not None:
                        constants[signal.run].add(ticks_up(milliseconds, period))
            case _:
                pass
    return constants


def constants_in(term: Term, period: Milliseconds) -> set[int]:
    """Every constant inside a term that a counter is compared with."""
    found: set[int] = set()
    for node in walk_term(term):
        match node:
            case Constant(value=value):
                found.add(value)
            case TimeConstant(milliseconds=milliseconds):
                found |= {ticks_up(milliseconds, period), ticks_up(milliseconds, period) + 1}
            case Lookup(table=table):
                found |= set(table)
            case _:
                pass
    return found


def stretches(high: int, constants: set[int]) -> list[int]:
    """For each value a number that it shares with those it is as good as.

    A value within one of a constant stands alone; the others between two constants are alike.
    """
    table: list[int] = []
    for value in range(high + 1):
        alone = any(abs(value - constant) <= 1 for constant in constants)
        before_alone = value > 0 and any(abs(value - 1 - constant) <= 1 for constant in constants)
        table.append(value if alone or before_alone or not table else table[-1])
    return table
