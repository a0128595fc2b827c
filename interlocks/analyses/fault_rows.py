"""What is known of a fault, as a row of the fault table: the first outcome that fits, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stillgate.controller.execution.reasons import join_words
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.sim_io.faults.fault_list import Fault, FaultKind

from ..checking.checker import required_faults
from ..exploration.fault_search import hazardous_outputs
from ..fault_effects.fault_facts import CUT_SHORT, FaultFacts, FirstDifference
from ..fault_effects.lost_functions import NOTHING, LostFunctions
from ..loop.closed_loop import ClosedLoop
from ..results.fault_table_rows import FaultBreak, FaultOutcome, FaultRow


def row_of(
    loop: ClosedLoop, fault: Fault, facts: FaultFacts | None, lost: LostFunctions = NOTHING
) -> FaultRow:
    """The row of a fault; without facts it is undecided.

    Args:
        loop: of the machine with one fault.
        lost: what the fault surely takes away.
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
        can_hold_on=first.dangerous,
        stop_once_shown=None if facts.once_shown is None else facts.once_shown * loop.tick,
        stay_off=lost.stay_off,
        not_again=lost.not_again,
        channels=lost.channels,
        situations=facts.situations,
    )
    outcome, text = _outcome(row, fault, facts, first, loop)
    return replace(row, outcome=outcome, text=text)


def _outcome(
    row: FaultRow, fault: Fault, facts: FaultFacts, first: FirstDifference, loop: ClosedLoop
) -> tuple[FaultOutcome, str]:
    """The first that fits; undecided where it is not known of one that it does not."""
    stop = row.stop_time
    if row.breaks:
        return FaultOutcome.BREAKS, _break_text(row.breaks, facts.unsure, loop.tick)
    if facts.unsure:
        said = f"whether it breaks {', '.join(facts.unsure)} is not known: {facts.why_unsure}"
        return FaultOutcome.UNDECIDED, said
    if first.differs is None:
        return FaultOutcome.UNDECIDED, f"whether it changes an output is not known: {first.why}"
    if not first.differs:
        text = "changes no output: hidden, until a test finds it or a second fault joins it"
        return FaultOutcome.HIDDEN, text
    if facts.ends is None:
        return FaultOutcome.UNDECIDED, f"whether the machine stops by itself is not known: {facts.why_no_end}"
    if fault.kind is FaultKind.POWER and stop is None:
        return (
            FaultOutcome.PAUSES,
            "nothing is driven while power is out; after its return the machine may work again",
        )
    if stop is not None:
        return FaultOutcome.STOPS, f"the machine stops {_when(row)} and cannot be started again"
    return _not_stopped(row, first, hazardous_outputs(loop.machine))


def _not_stopped(row: FaultRow, first: FirstDifference, hazardous: Sequence[str]) -> tuple[FaultOutcome, str]:
    """What is told of a fault with which the machine may work on for ever."""
    said: list[str] = []
    shown = row.stop_once_shown
    if shown is not None:
        time = "at once" if shown == 0 else f"within {format_duration(shown)} at the latest"
        said.append(
            f"the machine stops {time} once it shows and cannot be started again; before, it is hidden"
        )
    if row.next_start:
        said.append("the machine may work on, but not stop and start without end: a later start fails")
    if row.stay_off:
        said.append(f"{join_words(list(row.stay_off))} {_verb(row.stay_off, 'stay')} off as long as it lasts")
    if row.not_again:
        said.append(
            f"{join_words(list(row.not_again))}, once nothing asks for {_them(row.not_again)}, "
            f"{_verb(row.not_again, 'do')} not start again"
        )
    if row.kind == FaultKind.OUTPUT_ON.value:
        said.append(f"{row.subject} stays driven")
    if row.channels:
        others = join_words(list(row.channels), "or")
        if row.kind == FaultKind.OUTPUT_ON.value:
            said.append(f"{others} alone still keeps off what it drives")
        else:
            said.append(f"{others} alone still does what {row.subject} would do by itself")
    if row.can_hold_on and row.kind != FaultKind.OUTPUT_ON.value:
        said.append("its first effect can be an output with a hazard that is on and would be off")
    elif row.can_hold_on is None:
        said.append(f"whether it can hold an output with a hazard on is not known: {first.why}")
    outcome = _kind_of(row, hazardous)
    if outcome not in (FaultOutcome.STOPS_ONCE_SHOWN, FaultOutcome.LATER_START):
        said.insert(0, "the machine may work on")
    return outcome, "; ".join(said)


def _kind_of(row: FaultRow, hazardous: Sequence[str]) -> FaultOutcome:
    if row.stop_once_shown is not None:
        return FaultOutcome.STOPS_ONCE_SHOWN
    if row.next_start:
        return FaultOutcome.LATER_START
    if any(name in hazardous for name in row.stay_off):
        return FaultOutcome.MOTION_LOST
    if any(name in hazardous for name in row.not_again):
        return FaultOutcome.LATER_START
    if row.channels:
        return FaultOutcome.CHANNEL_LOST
    if row.can_hold_on is None:
        return FaultOutcome.UNDECIDED
    return FaultOutcome.HELD_ON if row.can_hold_on else FaultOutcome.OTHER


def _verb(names: Sequence[str], word: str) -> str:
    """``stays`` of one, ``stay`` of several."""
    return word if len(names) > 1 else {"do": "does"}.get(word, f"{word}s")


def _them(names: Sequence[str]) -> str:
    return "them" if len(names) > 1 else "it"


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
