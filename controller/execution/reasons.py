"""Why an output is on or off and why an exit is not taken, as values and in words.

A condition becomes a tree of clauses, each with its truth and how long it has had it. The
leaves that decide a clause are its *grounds*: of a false ``a and b`` those parts that are
false, of a false ``a or b`` both. They are what a technician goes and looks at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import Enum
from itertools import groupby

from ..expressions.durations import format_duration, format_elapsed
from ..machine_file.field_types import Milliseconds


class Connective(Enum):
    """How the parts of a clause make its truth."""

    ALL = "all of"
    ANY = "any of"
    NOT = "not"
    NAMED = "named"
    """A named condition; its one part is what the name stands for."""


@dataclass(frozen=True, slots=True)
class Clause:
    """A condition or a part of one, with its truth.

    ``joint`` is None in a leaf. ``lasting`` is how long a leaf has had its truth: 0 if the last
    scan changed it, None if that is not known or no scan ever did. ``note`` gives the values
    behind it, such as ``rail is 3``. ``inside`` is the named condition of the file that a ground
    comes from, and its truth.
    """

    text: str
    holds: bool
    joint: Connective | None = None
    parts: tuple[Clause, ...] = ()
    lasting: Milliseconds | None = None
    note: str = ""
    inside: tuple[str, bool] | None = None

    def grounds(self) -> tuple[Clause, ...]:
        """The leaves that give the clause its truth, left to right, each once."""
        return tuple(dict.fromkeys(self._grounds()))

    def _grounds(self) -> Iterator[Clause]:
        match self.joint:
            case None:
                yield self
            case Connective.NOT:
                yield from self.parts[0]._grounds()
            case Connective.NAMED:
                yield from (
                    replace(leaf, inside=(self.text, self.holds)) for leaf in self.parts[0]._grounds()
                )
            case joint:
                decisive = joint is Connective.ANY  # the truth of a part that settles the whole
                settled = self.holds is decisive
                for part in self.parts:
                    if not settled or part.holds is decisive:
                        yield from part._grounds()

    def lines(self, indent: int = 0) -> Iterator[str]:
        """The tree, a line a clause: truth, text, how long and with which values."""
        truth = "true " if self.holds else "false"
        bare = self.joint in (None, Connective.NAMED)
        text = self.text if bare or self.joint is None else f"{self.joint.value}: {self.text}"
        yield f"{truth}  {'  ' * indent}{text}{_aside(self)}"
        for part in self.parts:
            yield from part.lines(indent + 1)


@dataclass(frozen=True, slots=True)
class Permit:
    """An interlock's word on an output. ``number`` counts the file's interlocks from 1."""

    number: int
    why: str
    condition: Clause

    def __str__(self) -> str:
        return f"interlock {self.number}" + (f" ({self.why})" if self.why else "")


class Supply(Enum):
    """Whether the controller was in a position to switch anything on."""

    OFF = "power is off"
    FRESH = "no scan since power-on"
    SCANNING = "scanning"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why an output is as it is after the last scan.

    ``demanded_by`` are the active states that demand it, ``demanders`` all states that can,
    as (sequence, state).
    """

    output: str
    on: bool
    lasting: Milliseconds | None
    supply: Supply
    demanded_by: tuple[tuple[str, str], ...]
    demanders: tuple[tuple[str, str], ...]
    permits: tuple[Permit, ...]

    @property
    def held_off_by(self) -> tuple[Permit, ...]:
        """Interlocks whose condition is false, whether the output is demanded or not."""
        return tuple(permit for permit in self.permits if not permit.condition.holds)

    def __str__(self) -> str:
        return f"{self.output} {'on' if self.on else 'off'}: {self._words()}"

    def _words(self) -> str:
        if self.supply is not Supply.SCANNING:
            return str(self.supply.value)
        if self.demanded_by:
            if self.on:
                return f"demanded by {_states(self.demanded_by)}"
            held = "; by ".join(
                f"{permit}, because {because(permit.condition)}" for permit in self.held_off_by
            )
            return f"held off by {held}"
        if not self.demanders:
            return "no state demands it"
        return f"no active state demands it, only {_states(self.demanders, 'or')} would"

    def lines(self) -> Iterator[str]:
        """The sentence, then each permit with the tree of its condition."""
        yield str(self)
        for permit in self.permits:
            yield f"  {permit}: {'permits' if permit.condition.holds else 'holds off'}"
            yield from (f"    {line}" for line in permit.condition.lines())


@dataclass(frozen=True, slots=True)
class ExitReason:
    """Whether the next scan would find a way out open, with the inputs as they are set now.

    ``number`` counts from 1 within the state's exits or the sequence's overrides; ``wait`` is
    the time of ``after`` still to elapse, counted from the next scan; ``behind`` names the way
    out that is open and comes before it in the file's order.
    """

    sequence: str
    state: str
    target: str
    is_override: bool
    number: int
    condition: Clause | None  # None: no 'when'
    wait: Milliseconds
    already_there: bool  # an override to the active state: blocks exits, does nothing else
    behind: str | None

    @property
    def name(self) -> str:
        """As coverage spells it: ``gate: opening, exit 1 to waiting``."""
        place = "" if self.is_override else f"{self.state}, "
        return f"{self.sequence}: {place}{self.rank}"

    @property
    def rank(self) -> str:
        """Its place in the order of a scan, as ``exit 1 to waiting``."""
        return f"{'override' if self.is_override else 'exit'} {self.number} to {self.target}"

    @property
    def first(self) -> bool:
        """Whether no way out before it is open."""
        return self.behind is None

    @property
    def open(self) -> bool:
        """Condition true and time elapsed."""
        return self.wait == 0 and (self.condition is None or self.condition.holds)

    @property
    def taken(self) -> bool:
        """Whether the next scan would take it."""
        return self.open and self.first and not self.already_there

    def __str__(self) -> str:
        return f"{self.name}: {self._words()}"

    def _words(self) -> str:
        if self.open:
            if not self.first:
                return f"open, but {self.behind} comes before it"
            return "open, already there: blocks the exits" if self.already_there else "open"
        obstacles = []
        if self.condition is not None and not self.condition.holds:
            obstacles.append(f"because {because(self.condition, 'is')}")
        if self.wait:
            obstacles.append(f"for another {format_duration(self.wait)}")
        return "blocked " + " and ".join(obstacles)

    def lines(self) -> Iterator[str]:
        """The sentence, then the tree of the condition."""
        yield str(self)
        if self.condition is not None:
            yield from (f"    {line}" for line in self.condition.lines())


def because(clause: Clause, verb: str = "was") -> str:
    """The grounds of a clause as one sentence: ``a was false for 1.2 s and b was true``.

    Those that come from a named condition stand behind its name: ``clear was false (a was false)``.
    """
    words: list[str] = []
    for inside, leaves in groupby(clause.grounds(), key=lambda leaf: leaf.inside):
        said = [_statement(leaf, verb) for leaf in leaves]
        if inside is not None:
            name, holds = inside
            said = [f"{name} {verb} {'true' if holds else 'false'} ({join_words(said)})"]
        words += said
    return join_words(words)


def _statement(leaf: Clause, verb: str) -> str:
    truth = "true" if leaf.holds else "false"
    note = f" ({leaf.note})" if leaf.note else ""
    if leaf.lasting == 0 and verb == "was":
        return f"{leaf.text} became {truth} in this scan{note}"
    lasting = f" for {format_elapsed(leaf.lasting)}" if leaf.lasting else ""
    return f"{leaf.text} {verb} {truth}{lasting}{note}"


def _aside(leaf: Clause) -> str:
    items = []
    if leaf.lasting is not None:
        items.append(f"for {format_elapsed(leaf.lasting)}" if leaf.lasting else "just now")
    if leaf.note:
        items.append(leaf.note)
    return f"  ({', '.join(items)})" if items else ""


def _states(states: Iterable[tuple[str, str]], word: str = "and") -> str:
    return join_words([f"{sequence}.{state}" for sequence, state in states], word)


def join_words(words: list[str], word: str = "and") -> str:
    """``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {word} {words[-1]}"
