"""Rules about the physical parts: what drives them, what they sense, their times and places."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from ..machine_file.machine import Automaton, Flow, PartExit, Spin, Travel
from .findings import Finding, Path, check_name, error, expression_findings
from .namespace import Context, Namespace, nearest_hint

ANYWHERE = "anywhere"
"""What ``starts`` says for a part that may be in any place when power comes on."""


def part_findings(names: Namespace) -> Iterator[Finding]:
    """Every rule about parts that the machine breaks."""
    for name, part in names.machine.parts.items():
        path: Path = ("parts", name)
        match part:
            case Spin():
                yield from expression_findings(names, (*path, "drive"), part.drive, Context.DRIVE, part=name)
            case Travel():
                yield from _travel_findings(names, path, name, part)
            case Flow():
                yield from expression_findings(
                    names, (*path, "while"), part.runs_while, Context.PLANT, part=name
                )
                yield from _needs_time(path, "every", part.every)
                yield from _needs_time(path, "lasts", part.lasts)
            case Automaton():
                yield from _automaton_findings(names, path, name, part)
    yield from _sense_findings(names)


def _needs_time(path: Path, key: str, time: tuple[int, int] | None) -> Iterator[Finding]:
    if time is not None and time[1] == 0:
        yield error((*path, key), f"'{key}' cannot be no time at all", "say for example '100 ms'")


def _travel_findings(names: Namespace, path: Path, name: str, part: Travel) -> Iterator[Finding]:
    seen: set[str] = set()
    for number, stop in enumerate(part.stops):
        if stop in seen:
            yield error(
                (*path, "stops", number), f"'{stop}' stands here twice", "every stop has its own name"
            )
        if stop == ANYWHERE:
            yield error(
                (*path, "stops", number), f"a stop cannot be called '{ANYWHERE}'", "'starts' uses that word"
            )
        seen.add(stop)
    yield from _starts_findings(path, part.starts, part.stops, "stop")
    yield from expression_findings(names, (*path, "forward"), part.forward, Context.DRIVE, part=name)
    yield from expression_findings(names, (*path, "back"), part.back, Context.DRIVE, part=name)
    yield from _needs_time(path, "takes", part.takes)
    yield from _needs_time(path, "takes_back", part.takes_back)


def _automaton_findings(names: Namespace, path: Path, name: str, part: Automaton) -> Iterator[Finding]:
    yield from _starts_findings(path, part.starts, part.states, "state")
    for key, state in part.states.items():
        if key == ANYWHERE:
            yield error(
                (*path, "states", key),
                f"a state cannot be called '{ANYWHERE}'",
                "'starts' uses that word",
                at_key=True,
            )
        for number, item in enumerate(state.exits):
            yield from _part_exit_findings(names, (*path, "states", key, "exits", number), name, part, item)


def _part_exit_findings(
    names: Namespace, path: Path, name: str, part: Automaton, item: PartExit
) -> Iterator[Finding]:
    if item.to not in part.states:
        yield error(
            (*path, "to"),
            f"the part '{name}' has no state '{item.to}'",
            nearest_hint(item.to, part.states),
            name=item.to,
        )
    if item.when is None and item.takes is None and not item.freely:
        yield error(
            path, "this exit has no 'when', 'takes' or 'freely' and would be taken at once",
            "say 'freely: true' if it may be taken at any time",
        )  # fmt: skip
    if item.when is not None:
        yield from expression_findings(names, (*path, "when"), item.when, Context.PLANT, part=name)


def _starts_findings(path: Path, starts: str, places: Collection[str], what: str) -> Iterator[Finding]:
    if starts != ANYWHERE and starts not in places:
        yield error(
            (*path, "starts"),
            f"there is no {what} '{starts}'",
            nearest_hint(starts, [*places, ANYWHERE]),
            name=starts,
        )


def _sense_findings(names: Namespace) -> Iterator[Finding]:
    machine = names.machine
    first: dict[str, str] = {}
    for name, part in machine.parts.items():
        for switch, condition in part.senses.items():
            path: Path = ("parts", name, "senses", switch)
            yield from expression_findings(names, path, condition, Context.SENSE, part=name)
            if switch not in machine.inputs:
                yield from check_name(names, path, switch, "inputs", at_key=True)
                continue
            if switch in first:
                yield error(
                    path, f"the switch '{switch}' is closed by the part '{first[switch]}' already",
                    "one part closes one switch", at_key=True,
                )  # fmt: skip
            first.setdefault(switch, name)
            if machine.inputs[switch].source == "operator":
                yield error(
                    path, f"'{switch}' is moved by the operator and cannot be sensed by a part",
                    f"remove 'from: operator' at the input, or '{switch}' here", at_key=True,
                )  # fmt: skip
