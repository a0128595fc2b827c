"""Input scripts: what an operator and the surroundings do, and when, in plain lines.

One event a line; lines may stand in any order, ``#`` begins a remark::

    0 s    stop_ok on
    3.2 s  restart on for 200 ms      # pressed and let go
    8 s    edge_clear stuck off       # anything that ``disturbances`` knows
    9 s    motor slow 300 ms
    12 s   power off
    14 s   power on

An event acts in the first scan at or after its time.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from stillgate.controller.errors import TextError, UsageError
from stillgate.controller.expressions.durations import format_duration, parse_duration, shorten
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.namespace import nearest_hint
from stillgate.controller.rules.single_faults import stuck_name

from ..faults.disturbances import Disturbance, DisturbanceKind, parse_disturbance
from .simulation import Frame, Simulation

POWER = "power"
LINE = re.compile(
    r"(?P<time>\d+(?:\.\d+)?\s*[a-z]+)\s+(?P<name>[A-Za-z]\w*)\s+"
    r"(?:(?P<stuck>stuck)\s+)?(?P<level>on|off)(?:\s+for\s+(?P<hold>\S.*))?",
    re.ASCII,
)
TIMED = re.compile(r"(?P<time>\d+(?:\.\d+)?\s*[a-z]+)\s+(?P<rest>\S.*)", re.ASCII)
SIGNS = (
    "bounces",
    "picks",
    "drops",
    "intermittent",
    "swapped",
    "slow",
    "hangs",
    "dip",
    "overrun",
    "interrupted",
)
"""Words that only a disturbance has."""
FORM = (
    "write a line like '3.2 s start on', '3 s start on for 200 ms', '5 s valve stuck on' or '8 s power off'"
)
MOST_SCANS = 2_000_000
"""Scans of one run; at some ten thousand a second this is minutes."""


class Doing(Enum):
    """What an event changes."""

    INPUT = "input"
    FAULT = "fault"  # a disturbance begins or ends
    POWER = "power"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happens at a time."""

    time: Milliseconds
    doing: Doing
    name: str  # input, disturbance, or 'power'
    on: bool = True
    disturbance: Disturbance | None = None


def parse_script(lines: Iterable[str], machine: Machine, source: str = "") -> tuple[Event, ...]:
    """The events of a script, by time.

    Args:
        lines: one event each; empty lines and remarks are skipped.
        machine: whose inputs and faults may be named.
        source: name of the file, for messages; empty for the command line.

    Raises:
        UsageError: with the line, what is wrong in it and the nearest right thing.
    """
    events: list[Event] = []
    for number, line in enumerate(lines, start=1):
        text = line.partition("#")[0].strip()
        if text:
            place = f"{source}:{number}: " if source else ""
            events += _parse_line(text, machine, place)
    return tuple(sorted(events, key=lambda event: event.time))


def play(simulation: Simulation, events: Sequence[Event], duration: Milliseconds) -> Iterator[Frame]:
    """Runs a simulation under a script, a frame a scan; the last is the first at or after ``duration``.

    Raises:
        UsageError: if the run would be longer than ``MOST_SCANS``.
    """
    period = simulation.machine.scan
    scans = -(-duration // period) + 1
    if scans > MOST_SCANS:
        longest = format_duration(MOST_SCANS * period)
        raise UsageError(
            f"a run of {format_duration(duration)} is too long; at this scan {longest} is the most"
        )
    following = 0
    for number in range(scans):
        while following < len(events) and events[following].time <= number * period:
            _do(simulation, events[following])
            following += 1
        yield simulation.step()


def _do(simulation: Simulation, event: Event) -> None:
    match event.doing:
        case Doing.INPUT:
            simulation.set_input(event.name, event.on)
        case Doing.FAULT:
            assert event.disturbance is not None
            if event.on:
                simulation.inject(event.disturbance)
            else:
                simulation.clear(event.disturbance)
        case Doing.POWER:
            simulation.power(on=event.on)


def _parse_line(text: str, machine: Machine, place: str) -> list[Event]:
    match = LINE.fullmatch(text)
    if match is None:
        timed = TIMED.fullmatch(text)
        if timed is not None and any(word in timed["rest"].split() for word in SIGNS):
            return [_disturbance(timed["rest"], machine, _time(timed["time"], place), place)]
        raise UsageError(f"{place}'{shorten(text)}' is not an event; {FORM}")
    time = _time(match["time"], place)
    name, on = match["name"], match["level"] == "on"
    if match["stuck"]:
        return [_fault(name, match["level"], machine, time, place)]
    if name == POWER and POWER not in machine.inputs:
        doing = Doing.POWER
    else:
        doing = Doing.INPUT
        _known(name, machine, place)
    first = Event(time, doing, name, on)
    if match["hold"] is None:
        return [first]
    return [first, Event(time + _time(match["hold"], place), doing, name, not on)]


def _known(name: str, machine: Machine, place: str) -> None:
    sensed = {signal: part for part, model in machine.parts.items() for signal in model.senses}
    if name in sensed:
        raise UsageError(f"{place}{name} is moved by the part {sensed[name]} and cannot be set")
    if name not in machine.inputs:
        hint = nearest_hint(name, [item for item in machine.inputs if item not in sensed])
        raise UsageError(f"{place}there is no input '{name}'{f'; {hint}' if hint else ''}")


def _fault(name: str, level: str, machine: Machine, time: Milliseconds, place: str) -> Event:
    fault = stuck_name(name, on=level == "on")
    if fault in {item.fault for item in machine.check.exclude}:
        raise UsageError(f"{place}there is no fault '{fault}'; the file excludes it")
    if name not in machine.inputs and name not in machine.outputs:
        hint = nearest_hint(name, [*machine.inputs, *machine.outputs])
        raise UsageError(f"{place}there is no fault '{fault}'{f'; {hint}' if hint else ''}")
    kind = DisturbanceKind.STUCK_ON if level == "on" else DisturbanceKind.STUCK_OFF
    return Event(time, Doing.FAULT, fault, disturbance=Disturbance(kind, (name,)))


def _disturbance(text: str, machine: Machine, time: Milliseconds, place: str) -> Event:
    try:
        found = parse_disturbance(text, machine)
    except TextError as error:
        raise UsageError(f"{place}{error.message}{f'; {error.hint}' if error.hint else ''}") from None
    return Event(time, Doing.FAULT, found.name, disturbance=found)


def _time(text: str, place: str) -> Milliseconds:
    try:
        return parse_duration(text)
    except TextError as error:
        hint = f"; {error.hint}" if error.hint else ""
        raise UsageError(f"{place}{error.message}{hint}") from None
