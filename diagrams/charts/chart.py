"""A timing chart before it is drawn: lanes over one time axis, steps with their reasons, windows.

Lanes that never change are named below the chart instead of being drawn, unless the
requirement in question reads them. All changes of one instant are one step; steps are
numbered, and the key under a chart says for each who changed what and why.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from stillgate.controller.machine_file.contact_words import (
    NC,
    change_of_contact,
    level_of_contact,
)
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Contact, Machine
from stillgate.controller.rules.single_faults import stuck_name
from stillgate.interlocks.results.instant import Instant, value_text
from stillgate.interlocks.results.recording import Recording

from .run_reasons import BY_FAULT, Reasons, at_the_terminal, reasons_of


class Group(Enum):
    """What a lane shows, in the order from top to bottom."""

    FAULT = "fault"
    EXPECTED = "expected by the scenario"
    OPERATOR = "operator"
    SURROUNDINGS = "surroundings"
    SWITCH = "switches of parts"
    SEQUENCE = "sequences"
    MEMORY = "memory"
    OUTPUT = "outputs"
    PART = "parts"
    TRUTH = "read by the requirement"


WHO = {
    Group.FAULT: "fault",
    Group.EXPECTED: "scenario",
    Group.OPERATOR: "operator",
    Group.SURROUNDINGS: "surroundings",
    Group.SWITCH: "switch",
    Group.SEQUENCE: "controller",
    Group.MEMORY: "controller",
    Group.OUTPUT: "controller",
    Group.PART: "part",
    Group.TRUTH: "part",
}

ON, OFF = "on", "off"
NO_FAULT = "none"
NOTHING = ""
"""Value of a lane where it has none."""
AT_THE_SWITCH = "switch"
AT_THE_SWITCH_MEANS = (
    f"{AT_THE_SWITCH}: what the circuit of the switch does; a fault is on its way to the controller, which "
    "sees what the lane beginning with 'seen.' shows"
)
NC_MEANS = f"{NC}: normally closed contact; its line is high while the circuit is closed"


@dataclass(frozen=True, slots=True)
class ChartRun:
    """A value that lasts from one instant up to another, in periods."""

    start: Ticks
    end: Ticks
    value: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One signal over time; a level has the values on and off only."""

    name: str
    group: Group
    is_level: bool
    runs: tuple[ChartRun, ...]
    contact: Contact | None = None  # of an input: how its switch is built
    note: str = ""  # of an input with a fault: that this is its switch
    is_seen: bool = False  # of an input with a fault: that this is what the controller sees

    @property
    def mark(self) -> str:
        """What stands behind the name: ``(NC)`` of a normally closed contact, or nothing."""
        marks = [NC] if self.contact is Contact.NORMALLY_CLOSED else []
        marks += [self.note] if self.note else []
        return f" ({', '.join(marks)})" if marks else ""

    def shown(self, value: str) -> str:
        """A value in words: of a normally closed contact whether it is open or closed."""
        if self.contact is None:
            return value
        return level_of_contact(self.contact, value == ON, as_read=self.is_seen)

    def at(self, instant: Ticks) -> str:
        """Value in an instant."""
        return next(run.value for run in self.runs if run.start <= instant < run.end)


@dataclass(frozen=True, slots=True)
class ChartStep:
    """All that changed in one instant, in sentences."""

    number: int
    instant: Ticks
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch in which a requirement waited for something, both ends included."""

    start: Ticks
    end: Ticks
    text: str
    broken: bool = True  # whether it ends with the requirement broken


@dataclass(frozen=True, slots=True)
class Chart:
    """A timing chart; times count from the first instant drawn, which is at ``begins``."""

    name: str  # becomes part of ids and of the file's name
    title: str
    period: Milliseconds
    begins: Milliseconds
    length: Ticks
    lanes: tuple[Lane, ...]
    steps: tuple[ChartStep, ...]
    windows: tuple[Window, ...]
    steady: tuple[str, ...]  # what never changed: 'estop_1 closed (released)'
    expected: tuple[str, ...] = ()  # what each lane of expectations says

    @property
    def marks(self) -> tuple[str, ...]:
        """What marks behind names of lanes mean, of those that are there."""
        found = [NC_MEANS] if any(lane.contact is Contact.NORMALLY_CLOSED for lane in self.lanes) else []
        return (*found, AT_THE_SWITCH_MEANS) if any(lane.note for lane in self.lanes) else tuple(found)


@dataclass(frozen=True, slots=True)
class Expected:
    """An expectation over the instants in which it was judged, both ends included."""

    name: str  # 'scenario step 2'
    start: Ticks
    end: Ticks
    word: str  # 'met', 'NOT MET'
    text: str  # what was expected, and what became of it


def chart_of(
    recording: Recording,
    *,
    name: str,
    title: str,
    windows: tuple[Window, ...] = (),
    always: Collection[str] = (),
    first: Ticks = 0,
    last: Ticks | None = None,
    expected: Sequence[Expected] = (),
) -> Chart:
    """The chart of a recording, or of the instants from ``first`` to ``last``.

    Args:
        windows: stretches to shade, in instants of the recording.
        always: names whose lanes are drawn even if they never change. Truths of parts
            (``arms.moving``) are drawn if they are among them, and only then.
        expected: expectations, in instants of the recording; each gets a lane.
    """
    grounds = reasons_of(recording)
    end = len(recording.instants) if last is None else min(last + 1, len(recording.instants))
    shown = recording.instants[first:end]
    lanes = [_lane(recording.machine, line, shown) for line in _lines(recording, always)]
    lanes = list(_with_what_is_seen(lanes, shown))
    judged = [item for item in expected if item.end >= first and item.start < end]
    lanes[1:1] = [_expectation(item, first, len(shown)) for item in judged]
    drawn = tuple(lane for lane in lanes if _is_drawn(lane, always))
    return Chart(
        name=name,
        title=title,
        period=recording.period,
        begins=first * recording.period,
        length=len(shown),
        lanes=drawn,
        steps=tuple(_steps(recording.machine, lanes, grounds, first)),
        windows=tuple(
            Window(max(0, item.start - first), item.end - first, item.text, item.broken)
            for item in windows
            if item.end >= first and item.start < end
        ),
        steady=tuple(
            f"{lane.name} {lane.shown(lane.runs[0].value)}"
            for lane in lanes
            if lane not in drawn and lane.group is not Group.FAULT
        ),
        expected=tuple(f"{item.name} expected: {item.text}" for item in judged),
    )


def _is_drawn(lane: Lane, always: Collection[str]) -> bool:
    """A lane that changes, is asked for or shows a fault; a fault may be there from the first instant on."""
    if lane.group is Group.FAULT:
        return any(run.value != NO_FAULT for run in lane.runs)
    return len(lane.runs) > 1 or lane.name in always or lane.is_seen or bool(lane.note)


def _with_what_is_seen(lanes: list[Lane], instants: tuple[Instant, ...]) -> Iterator[Lane]:
    """Of an input that is stuck two lanes: what its switch does, and what the controller sees."""
    faults = {name for instant in instants for name in instant.faults}
    for lane in lanes:
        if lane.contact is None or not faults & {stuck_name(lane.name, on=on) for on in (True, False)}:
            yield lane
            continue
        yield replace(lane, note=AT_THE_SWITCH)
        seen = _runs(
            ON if at_the_terminal(item, lane.name, item.circuits[lane.name]) else OFF for item in instants
        )
        yield replace(lane, name=f"seen.{lane.name}", runs=seen, is_seen=True)


def _expectation(item: Expected, first: Ticks, length: Ticks) -> Lane:
    start, end = max(0, item.start - first), min(length, item.end - first + 1)
    runs = (ChartRun(0, start, NOTHING), ChartRun(start, end, item.word), ChartRun(end, length, NOTHING))
    return Lane(item.name, Group.EXPECTED, False, tuple(run for run in runs if run.start < run.end))


_Line = tuple[str, Group, bool, Callable[[Instant], str]]


def _lines(recording: Recording, always: Collection[str]) -> Iterator[_Line]:
    """Name, group, whether it is a level, and how to read it off an instant."""
    machine = recording.machine
    yield "fault", Group.FAULT, False, lambda instant: instant.fault or NO_FAULT
    for name in sorted(machine.inputs, key=lambda name: _source(machine, name) is Group.SWITCH):
        yield name, _source(machine, name), True, _level("circuits", name)
    for name in machine.sequences:
        yield name, Group.SEQUENCE, False, _state(name)
    for name, item in machine.memory.items():
        yield name, Group.MEMORY, item.range is None, _memory(name)
    for name in machine.outputs:
        yield name, Group.OUTPUT, True, _level("outputs", name)
    for name in machine.parts:
        yield name, Group.PART, False, _place(name)
    for name in recording.instants[0].truths if recording.instants else ():
        if name in always:
            yield name, Group.TRUTH, True, _level("truths", name)


def _level(field: str, name: str) -> Callable[[Instant], str]:
    return lambda instant: ON if getattr(instant, field)[name] else OFF


def _state(name: str) -> Callable[[Instant], str]:
    return lambda instant: instant.state_text(name)


def _memory(name: str) -> Callable[[Instant], str]:
    return lambda instant: value_text(instant.memory[name])


def _place(name: str) -> Callable[[Instant], str]:
    return lambda instant: instant.parts[name]


def _source(machine: Machine, name: str) -> Group:
    if any(name in part.senses for part in machine.parts.values()):
        return Group.SWITCH
    return Group.OPERATOR if machine.inputs[name].source == "operator" else Group.SURROUNDINGS


def _lane(machine: Machine, line: _Line, instants: tuple[Instant, ...]) -> Lane:
    name, group, is_level, read = line
    contact = machine.inputs[name].contact if name in machine.inputs else None
    return Lane(name, group, is_level, _runs(map(read, instants)), contact)


def _runs(values: Iterable[str]) -> tuple[ChartRun, ...]:
    """Values, one an instant, as stretches."""
    runs: list[ChartRun] = []
    for number, value in enumerate(values):
        if runs and runs[-1].value == value:
            runs[-1] = ChartRun(runs[-1].start, number + 1, value)
        else:
            runs.append(ChartRun(number, number + 1, value))
    return tuple(runs)


def _steps(machine: Machine, lanes: list[Lane], grounds: Reasons, first: Ticks) -> Iterator[ChartStep]:
    changes: dict[Ticks, list[str]] = {}
    for lane in lanes:
        if lane.is_seen or lane.group is Group.EXPECTED:
            continue  # what is seen changes with its switch or its fault; expectations change nothing
        before = lane.runs[0] if first else ChartRun(0, 0, _at_rest(machine, lane))
        for run in lane.runs[1:] if first else lane.runs:
            if run.value != before.value:
                why = grounds.get((run.start + first, lane.name), "")
                changes.setdefault(run.start, []).append(_sentence(lane, before, run, why))
            before = run
    for number, instant in enumerate(sorted(changes), start=1):
        yield ChartStep(number, instant, tuple(changes[instant]))


def _at_rest(machine: Machine, lane: Lane) -> str:
    """Value before the first scan: contacts that nobody touches, start states, outputs off."""
    match lane.group:
        case Group.OPERATOR | Group.SURROUNDINGS:
            return ON if machine.inputs[lane.name].contact is Contact.NORMALLY_CLOSED else OFF
        case Group.SEQUENCE:
            return machine.sequences[lane.name].start
        case Group.OUTPUT:
            return OFF
        case Group.FAULT:
            return NO_FAULT
        case _:
            return lane.runs[0].value


def _sentence(lane: Lane, before: ChartRun, run: ChartRun, why: str) -> str:
    if lane.group is Group.FAULT:
        return f"fault: {run.value}" if run.value != NO_FAULT else "fault: gone"
    if lane.contact is not None:
        change = change_of_contact(lane.contact, run.value == ON)
    else:
        change = f"goes {run.value}" if lane.is_level else f"{before.value} → {run.value}"
    if why.startswith(BY_FAULT):
        return f"fault: {lane.name} {change} ({why.removeprefix(BY_FAULT)})"
    return f"{WHO[lane.group]}: {lane.name} {change}{f' ({why})' if why else ''}"
