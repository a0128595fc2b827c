"""What is known of a fault, as a row of the fault table: the first outcome that fits, in words."""

from __future__ import annotations

from dataclasses import replace

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.sim_io.faults.fault_list import Fault, FaultKind

from ..checking.checker import required_faults
from ..exploration.fault_search import hazardous_outputs
from ..fault_effects.fault_facts import CUT_SHORT, FaultFacts, FirstDifference
from ..loop.closed_loop import ClosedLoop
from ..results.fault_table_rows import FaultBreak, FaultOutcome, FaultRow


def row_of(loop: ClosedLoop, fault: Fault, facts: FaultFacts | None) -> FaultRow:
    """The row of a fault; without facts it is undecided.

    Args:
        loop: of the machine with one fault.
    """
    row = FaultRow(
        fault=fault.name,
        kind=fault.kind.value,
        subject=fault.subject,
        outcome=FaultOutcome.UNDECIDED,
        text=f"{CUT_SHORT}, so this is not known",
    )
    if facts is None:
        return row
    first = _first_difference(loop, fault, facts)
    stop = facts.longest * loop.tick if facts.ends else None
    row = replace(
        row,
        breaks=_breaks(loop, facts),
        stop_time=stop,
        stop_at_most=stop is not None and facts.at_most,
        next_start=facts.ends is False and not facts.restless,
        dangerous=first.dangerous,
        situations=facts.situations,
    )
    outcome, text = _outcome(row, fault, facts, first, loop.tick)
    return replace(row, outcome=outcome, text=text)


def _outcome(
    row: FaultRow, fault: Fault, facts: FaultFacts, first: FirstDifference, tick: Milliseconds
) -> tuple[FaultOutcome, str]:
    """The first that fits; undecided where it is not known of one that it does not."""
    stop = row.stop_time
    if row.breaks:
        return FaultOutcome.BREAKS, _break_text(row.breaks, facts.unsure, tick)
    if facts.unsure:
        said = f"whether it breaks {', '.join(facts.unsure)} is not known: {facts.why_unsure}"
        return FaultOutcome.UNDECIDED, said
    if first.differs is None:
        return FaultOutcome.UNDECIDED, f"whether it changes an output is not known: {first.why}"
    if not first.differs:
        text = "changes no output; by itself it harms nothing and stays hidden until a second fault"
        return FaultOutcome.HARMLESS, text
    if facts.ends is None:
        return FaultOutcome.UNDECIDED, f"whether the machine stops by itself is not known: {facts.why_no_end}"
    if fault.kind is FaultKind.POWER and stop is None:
        return (
            FaultOutcome.PAUSES,
            "nothing is driven while power is out; after its return the machine may work again",
        )
    if stop is not None:
        return FaultOutcome.STOPS, f"the machine stops {_when(row)} and cannot be started again"
    if row.next_start:
        text = "the machine may work on, but not stop and start without end: a later start fails"
        return FaultOutcome.UNNOTICED, text
    return FaultOutcome.UNNOTICED, "the machine may work on for ever"


def _when(row: FaultRow) -> str:
    assert row.stop_time is not None
    if row.stop_time == 0:
        return "at once"
    time = format_duration(row.stop_time)
    return f"within at most {time}, perhaps sooner," if row.stop_at_most else f"within {time} at the latest"


def _first_difference(loop: ClosedLoop, fault: Fault, facts: FaultFacts) -> FirstDifference:
    """Of an input from the twins; of an output and of power from whether it ever takes effect.

    An output's fault begins where it changes the output, so it is harmless if it never can begin. A
    power interruption is harmless if no output is ever on.
    """
    if fault.kind in (FaultKind.INPUT_ON, FaultKind.INPUT_OFF):
        return facts.first if loop.controller.outputs else FirstDifference(False, False)
    if fault.kind is FaultKind.POWER:
        demanded = any(output.demanded_by for output in loop.controller.outputs)
        return FirstDifference(demanded, False)
    hazardous = fault.subject in hazardous_outputs(loop.machine)
    can_drive = hazardous and fault.kind is FaultKind.OUTPUT_ON
    return FirstDifference(facts.begins, facts.begins if can_drive else False, facts.why_unsure)


def _breaks(loop: ClosedLoop, facts: FaultFacts) -> tuple[FaultBreak, ...]:
    made: list[FaultBreak] = []
    for name, found in facts.breaks.items():
        requirement = loop.machine.requirements[name]
        counts = required_faults(loop.machine, requirement) > 0
        made.append(FaultBreak(name, requirement.hazard, counts, found.ticks, found.story))
    return tuple(sorted(made, key=lambda item: (not item.counts, item.depth, item.requirement)))


def _break_text(breaks: tuple[FaultBreak, ...], unsure: tuple[str, ...], tick: Milliseconds) -> str:
    parts = [
        f"{item.requirement} ({format_duration((item.depth - 1) * tick)} after power-on"
        + ("" if item.counts else "; it need not withstand a fault")
        + ")"
        for item in breaks
    ]
    more = f"; whether it breaks {', '.join(unsure)} too is not known" if unsure else ""
    return "breaks " + ", ".join(parts) + more
