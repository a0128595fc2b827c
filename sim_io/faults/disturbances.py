"""Disturbances: what goes wrong with switches, valves, power and the scan, as words and as values.

A disturbance is said in one line, and that line is its name everywhere: in scenarios, on
the command line, in lists and in diagnoses::

    cutter_still stuck on              contact welded, or a short
    cutter_still stuck off             wire broken
    restart bounces 10 ms              after every change, samples of 10 ms may be either level
    restart bounces 10 ms 3 times      the same, going back three times at most
    bunch_hung picks up 40 ms late     true only once the circuit has conducted for 40 ms
    bunch_hung drops out 40 ms late    false only once it has been open for 40 ms
    bunch_hung intermittent 20 s       drops out every 20 s on average, for up to 100 ms
    row_left swapped with row_right    two wires on each other's terminals
    arms_raise slow 300 ms             the valve follows after 300 ms, in both directions
    arms_raise hangs                   the valve stays as it is
    power dip 200 ms                   the controller is without power for 200 ms, then starts cold
    power dip 200 ms every 10 min      the same again and again, every 10 min on average
    scan overrun 60 ms                 one scan takes 60 ms: nothing sampled or written meanwhile
    power interrupted                  power stays away

Sources: the kinds are those of ISO 13849-2 tables of faults for contacts, wires and valves
(from memory: does not open, does not close, short circuit, open circuit, change of
switching times, non-switching); bounce and pick-up and drop-out times are data of any relay
or switch. Lengths left out take the defaults below, which are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

from stillgate.controller.errors import TextError
from stillgate.controller.expressions.durations import format_duration, parse_duration, shorten
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.namespace import nearest_hint

DEFAULT_RETURNS = 5
"""Times a bouncing contact goes back at most, if a disturbance does not say."""

DEFAULT_DROP: Milliseconds = 100
"""Longest drop of an intermittent contact, if a disturbance does not say."""

MOST_RETURNS = 100


class DisturbanceKind(Enum):
    """Ways in which the surroundings of a controller misbehave."""

    STUCK_ON = "stuck on"
    STUCK_OFF = "stuck off"
    BOUNCE = "bounces"
    PICK_UP = "picks up late"
    DROP_OUT = "drops out late"
    INTERMITTENT = "intermittent"
    SWAPPED = "swapped"
    SLOW = "slow"
    HANGS = "hangs"
    POWER_DIP = "power dip"
    POWER_LOST = "power interrupted"
    OVERRUN = "scan overrun"


_OF_INPUTS = frozenset({DisturbanceKind.BOUNCE, DisturbanceKind.INTERMITTENT})
_OF_OUTPUTS = frozenset({DisturbanceKind.SLOW, DisturbanceKind.HANGS})
_OF_THE_WHOLE = frozenset({DisturbanceKind.POWER_DIP, DisturbanceKind.POWER_LOST, DisturbanceKind.OVERRUN})


@dataclass(frozen=True, slots=True)
class Disturbance:
    """One disturbance.

    Attributes:
        kind: what goes wrong.
        subjects: inputs or outputs it is about; two for a swap, none for power and scan.
        time: its own time: length of the bounce, delay, dip or overrun, or the mean time
            between the drops of an intermittent contact. 0 where there is none.
        returns: how often a bouncing contact goes back at most.
        longest: longest drop of an intermittent contact.
        every: mean time from one dip or overrun to the next; 0 for one only.
    """

    kind: DisturbanceKind
    subjects: tuple[str, ...] = ()
    time: Milliseconds = 0
    returns: int = DEFAULT_RETURNS
    longest: Milliseconds = DEFAULT_DROP
    every: Milliseconds = 0

    @property
    def name(self) -> str:
        """Its line; ``parse_disturbance`` reads it back."""
        return f"{self.subjects[0]} {self.manner}" if self.subjects else self.manner

    @property
    def manner(self) -> str:
        """Its line without what it is about: ``bounces 6 ms``."""
        time = format_duration(self.time)
        again = f" every {format_duration(self.every)}" if self.every else ""
        match self.kind:
            case DisturbanceKind.BOUNCE:
                times = "" if self.returns == DEFAULT_RETURNS else f" {self.returns} times"
                return f"bounces {time}{times}"
            case DisturbanceKind.PICK_UP:
                return f"picks up {time} late"
            case DisturbanceKind.DROP_OUT:
                return f"drops out {time} late"
            case DisturbanceKind.INTERMITTENT:
                drop = "" if self.longest == DEFAULT_DROP else f" for {format_duration(self.longest)}"
                return f"intermittent {time}{drop}"
            case DisturbanceKind.SWAPPED:
                return f"swapped with {self.subjects[1]}"
            case DisturbanceKind.SLOW:
                return f"slow {time}"
            case DisturbanceKind.POWER_DIP | DisturbanceKind.OVERRUN:
                return f"{self.kind.value} {time}{again}"
            case _:
                return str(self.kind.value)

    def __str__(self) -> str:
        return self.name

    @property
    def about(self) -> str:
        """What it does, in a sentence without its subject."""
        time = format_duration(self.time)
        match self.kind:
            case DisturbanceKind.STUCK_ON:
                return "stays on whatever happens: a welded contact, a short, a spool that is held"
            case DisturbanceKind.STUCK_OFF:
                return "stays off whatever happens: a broken wire, a contact that does not close, a dead coil"
            case DisturbanceKind.BOUNCE:
                return (
                    f"for {time} after every change a sample may be either level, going back "
                    f"{self.returns} times at most"
                )
            case DisturbanceKind.PICK_UP:
                return f"comes on {time} late, and not at all for anything shorter"
            case DisturbanceKind.DROP_OUT:
                return f"goes off {time} late, and not at all for anything shorter"
            case DisturbanceKind.INTERMITTENT:
                return f"drops out every {time} on average, for up to {format_duration(self.longest)}"
            case DisturbanceKind.SWAPPED:
                return "each is wired to the other's terminal"
            case DisturbanceKind.SLOW:
                return f"follows {time} late in both directions"
            case DisturbanceKind.HANGS:
                return "stays as it is from then on, on or off"
            case DisturbanceKind.POWER_DIP:
                return (
                    f"the controller is without power for {time}, then starts cold; parts go on{self._again}"
                )
            case DisturbanceKind.POWER_LOST:
                return "the controller has no power until it comes back, then starts cold; parts go on"
            case DisturbanceKind.OVERRUN:
                return f"a scan takes {time}: nothing is sampled, decided or written meanwhile{self._again}"

    @property
    def _again(self) -> str:
        return f"; again every {format_duration(self.every)} on average" if self.every else ""


_TIME = r"(?P<time>(?:\d[\w.]*\s*(?:ms|s|min|h)\b|[tT]\S*#\S+)|\S+)"
_FORMS: tuple[tuple[DisturbanceKind, re.Pattern[str]], ...] = tuple(
    (kind, re.compile(form, re.ASCII | re.IGNORECASE))
    for kind, form in (
        (DisturbanceKind.POWER_LOST, r"power\s+interrupted"),
        (DisturbanceKind.POWER_DIP, rf"power\s+dip\s+{_TIME}(?:\s+every\s+(?P<every>.+))?"),
        (DisturbanceKind.OVERRUN, rf"scan\s+overrun\s+{_TIME}(?:\s+every\s+(?P<every>.+))?"),
        (DisturbanceKind.STUCK_ON, r"(?P<one>\S+)\s+stuck\s+on"),
        (DisturbanceKind.STUCK_OFF, r"(?P<one>\S+)\s+stuck\s+off"),
        (DisturbanceKind.BOUNCE, rf"(?P<one>\S+)\s+bounces\s+{_TIME}(?:\s+(?P<returns>\d{{1,6}})\s+times)?"),
        (DisturbanceKind.PICK_UP, rf"(?P<one>\S+)\s+picks\s+up\s+{_TIME}\s+late"),
        (DisturbanceKind.DROP_OUT, rf"(?P<one>\S+)\s+drops\s+out\s+{_TIME}\s+late"),
        (
            DisturbanceKind.INTERMITTENT,
            rf"(?P<one>\S+)\s+intermittent\s+{_TIME}(?:\s+for\s+(?P<longest>.+))?",
        ),
        (DisturbanceKind.SWAPPED, r"(?P<one>\S+)\s+swapped\s+with\s+(?P<two>\S+)"),
        (DisturbanceKind.SLOW, rf"(?P<one>\S+)\s+slow\s+{_TIME}"),
        (DisturbanceKind.HANGS, r"(?P<one>\S+)\s+hangs"),
    )
)
EXAMPLES = {
    "stuck": "{0} stuck on",
    "bounces": "{0} bounces 10 ms",
    "bounce": "{0} bounces 10 ms",
    "picks": "{0} picks up 40 ms late",
    "drops": "{0} drops out 40 ms late",
    "intermittent": "{0} intermittent 20 s",
    "swapped": "{0} swapped with y",
    "slow": "{0} slow 300 ms",
    "hangs": "{0} hangs",
    "dip": "power dip 200 ms",
    "interrupted": "power interrupted",
    "overrun": "scan overrun 60 ms",
}
"""An example for every word that a disturbance is known by."""


def parse_disturbance(text: str, machine: Machine) -> Disturbance:
    """The disturbance that a line says.

    Raises:
        TextError: with the place inside the text, what is wrong and the nearest right thing.
    """
    kind, match = _match(text)
    subjects = tuple(match[group] for group in ("one", "two") if match.groupdict().get(group))
    for group in ("one", "two"):
        if match.groupdict().get(group):
            _check_subject(match[group], match.start(group), kind, machine)
    if kind is DisturbanceKind.SWAPPED:
        _check_pair(subjects, match, machine)
    time = _time(match, "time") if "time" in match.groupdict() else 0
    returns = int(match["returns"]) if match.groupdict().get("returns") else DEFAULT_RETURNS
    if returns > MOST_RETURNS:
        raise TextError(f"a contact goes back at most {MOST_RETURNS} times", *match.span("returns"))
    longest = _time(match, "longest") if match.groupdict().get("longest") else DEFAULT_DROP
    every = _time(match, "every") if match.groupdict().get("every") else 0
    if every and every <= time:
        raise TextError(
            f"it lasts {format_duration(time)} and cannot come every {format_duration(every)}",
            *match.span("every"), f"say 'every {format_duration(10 * time)}'",
        )  # fmt: skip
    return Disturbance(kind, subjects, time, returns, longest, every)


def parse_disturbances(lines: Sequence[str], machine: Machine) -> tuple[Disturbance, ...]:
    """Several disturbances that are there together.

    Raises:
        TextError: as for one, and if two of them contradict each other.
    """
    found: list[Disturbance] = []
    for line in lines:
        item = parse_disturbance(line, machine)
        against = next((other for other in found if contradict(item, other)), None)
        if against is not None:
            hint = f"leave '{against}' or '{item}' out"
            raise TextError(f"'{item}' and '{against}' cannot be there together", 0, len(line), hint)
        if item not in found:
            found.append(item)
    return tuple(found)


def contradict(one: Disturbance, other: Disturbance) -> bool:
    """Whether two disturbances say different things about one place: two times for one bounce,
    a wire swapped with two others, stuck on and stuck off.
    """
    if one == other:
        return False
    stuck = (DisturbanceKind.STUCK_ON, DisturbanceKind.STUCK_OFF, DisturbanceKind.HANGS)
    same_sort = one.kind is other.kind or (one.kind in stuck and other.kind in stuck)
    if not same_sort:
        return False
    return not one.subjects or bool(set(one.subjects) & set(other.subjects))


def disturbances_of(machine: Machine) -> tuple[Disturbance, ...]:
    """Every disturbance a machine can have, with ordinary lengths, in the file's order.

    Of the swapped pairs those that are neighbours in the file, as their terminals are likely
    to be. Stuck faults that the file excludes are left out.
    """
    kind = DisturbanceKind
    excluded = {item.fault for item in machine.check.exclude}
    found: list[Disturbance] = []
    for name in machine.inputs:
        found += [Disturbance(kind.STUCK_ON, (name,)), Disturbance(kind.STUCK_OFF, (name,))]
        found += [
            Disturbance(kind.BOUNCE, (name,), 10),
            Disturbance(kind.PICK_UP, (name,), 40),
            Disturbance(kind.DROP_OUT, (name,), 40),
            Disturbance(kind.INTERMITTENT, (name,), 20_000),
        ]
    found += _neighbours(tuple(machine.inputs))
    for name in machine.outputs:
        found += [Disturbance(kind.STUCK_ON, (name,)), Disturbance(kind.STUCK_OFF, (name,))]
        found += [
            Disturbance(kind.SLOW, (name,), 300),
            Disturbance(kind.HANGS, (name,)),
            Disturbance(kind.PICK_UP, (name,), 40),
            Disturbance(kind.DROP_OUT, (name,), 40),
        ]
    found += _neighbours(tuple(machine.outputs))
    found += [
        Disturbance(kind.POWER_DIP, (), 200),
        Disturbance(kind.POWER_LOST),
        Disturbance(kind.OVERRUN, (), 3 * machine.scan),
    ]
    return tuple(item for item in found if item.name not in excluded)


def stuck_faults(machine: Machine) -> tuple[Disturbance, ...]:
    """Every input and output stuck on and off, without what the file excludes."""
    kinds = (DisturbanceKind.STUCK_ON, DisturbanceKind.STUCK_OFF)
    return tuple(item for item in disturbances_of(machine) if item.kind in kinds)


def contacts_bounce(
    machine: Machine, time: Milliseconds = 10, *, free: bool = True
) -> tuple[Disturbance, ...]:
    """A bounce of every input, or only of those that a part moves."""
    moved = {signal for part in machine.parts.values() for signal in part.senses}
    return tuple(
        Disturbance(DisturbanceKind.BOUNCE, (name,), time) for name in machine.inputs if free or name in moved
    )


def _neighbours(names: tuple[str, ...]) -> list[Disturbance]:
    return [Disturbance(DisturbanceKind.SWAPPED, pair) for pair in pairwise(names)]


def _match(text: str) -> tuple[DisturbanceKind, re.Match[str]]:
    stripped = text.rstrip()
    offset = len(stripped) - len(stripped.lstrip())
    for kind, form in _FORMS:
        match = form.fullmatch(stripped, offset)
        if match is not None:
            return kind, match
    words = stripped.split()
    subject = words[0] if words and words[0] not in ("power", "scan") else "x"
    known = next((EXAMPLES[word.lower()] for word in words[1:] if word.lower() in EXAMPLES), None)
    if known is None and len(words) > 1:
        nearest = nearest_hint(words[1], EXAMPLES)
        known = EXAMPLES.get(nearest.split("'")[1]) if nearest.startswith("did you mean") else None
    hint = f"say for example '{(known or '{0} stuck on').format(shorten(subject, 64))}'"
    raise TextError(f"'{shorten(text.strip())}' is not a disturbance", offset, max(1, len(text)), hint)


def _check_subject(name: str, start: int, kind: DisturbanceKind, machine: Machine) -> None:
    """Whether a name is a signal that this can happen to."""
    inputs = kind not in _OF_OUTPUTS
    outputs = kind not in _OF_INPUTS
    if (inputs and name in machine.inputs) or (outputs and name in machine.outputs):
        return
    end = start + len(name)
    if name in machine.inputs or name in machine.outputs:
        which, other = ("an input", "outputs") if name in machine.inputs else ("an output", "inputs")
        raise TextError(f"'{name}' is {which}, and only {other} can be said to be '{kind.value}'", start, end)
    known = [*(machine.inputs if inputs else ()), *(machine.outputs if outputs else ())]
    what = "input or output" if inputs and outputs else "input" if inputs else "output"
    raise TextError(f"there is no {what} '{shorten(name)}'", start, end, nearest_hint(name, known))


def _check_pair(subjects: tuple[str, ...], match: re.Match[str], machine: Machine) -> None:
    one, two = subjects
    if one == two:
        raise TextError("a wire cannot be swapped with itself", *match.span("two"))
    if (one in machine.inputs) != (two in machine.inputs):
        raise TextError(
            "an input cannot be swapped with an output", *match.span("two"), "name two of one sort"
        )


def _time(match: re.Match[str], group: str) -> Milliseconds:
    start = match.start(group)
    try:
        time = parse_duration(match[group])
    except TextError as error:
        raise TextError(error.message, error.start + start, error.end + start, error.hint) from None
    if time == 0:
        raise TextError("a time of 0 disturbs nothing", start, match.end(group))
    return time
