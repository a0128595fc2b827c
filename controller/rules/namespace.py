"""What names mean and who may say them.

Sequences, parts, inputs, outputs, memory and named conditions share one namespace. A named condition
is no reference: it is written out before anybody resolves a name (``named_conditions``), and the rules
judge what it brings in. Who may read what::

    context       inputs  outputs  memory, states  truths of parts            seen. asked.
    GUARD         yes     yes      yes             no                         no
    INTERLOCK     yes     demand   yes             no                         no
    REQUIREMENT   yes     yes      yes             yes                        yes
    PLANT         no      yes      no              own, and part.truth        no
    DRIVE         no      yes      no              other parts' places        no
    SENSE         no      no       no              own                        no
    CONDITION     yes     yes      yes             yes                        yes

A controller knows its switches only; a part does not know the controller. DRIVE leaves out
``moving``, ``still`` and ``turning`` of other parts, so that no part moves because it moves. CONDITION
is a named condition by itself, of which nobody knows yet where it will stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from enum import Enum
from functools import cached_property

from ..errors import TextError
from ..expressions.durations import shorten
from ..expressions.expression import Span
from ..machine_file.machine import Automaton, Flow, Machine, Memory, Part, Spin, Travel
from ..machine_file.named_conditions import names_in


class Context(Enum):
    """Where an expression stands, which decides what it may read."""

    GUARD = "a guard"
    INTERLOCK = "an interlock"
    REQUIREMENT = "a requirement"
    PLANT = "a part's condition"
    DRIVE = "what drives a part"
    SENSE = "what a part senses"
    CONDITION = "a named condition"


MOST_COMPARED = 250
"""Names looked at for the one that was meant."""

CONTROLLER = (Context.GUARD, Context.INTERLOCK)
PHYSICAL = (Context.PLANT, Context.DRIVE, Context.SENSE)
KNOWS_ALL = (Context.REQUIREMENT, Context.CONDITION)


@dataclass(frozen=True, slots=True)
class InputRef:
    """An input: debounced level in the controller, healthy circuit in a requirement."""

    name: str


@dataclass(frozen=True, slots=True)
class OutputRef:
    """An output: last scan's in a guard, the demand in an interlock, else what is driven."""

    name: str


@dataclass(frozen=True, slots=True)
class MemoryRef:
    """A bit or counter."""

    name: str


@dataclass(frozen=True, slots=True)
class StateRef:
    """True while the state is active."""

    sequence: str
    state: str


@dataclass(frozen=True, slots=True)
class PartTruthRef:
    """A truth of a part, such as ``moving`` or ``at_open``."""

    part: str
    truth: str


@dataclass(frozen=True, slots=True)
class SeenRef:
    """The controller's own view of an input (``seen.x``)."""

    name: str


@dataclass(frozen=True, slots=True)
class AskedRef:
    """What the controller asked of an output (``asked.y``)."""

    name: str


Reference = InputRef | OutputRef | MemoryRef | StateRef | PartTruthRef | SeenRef | AskedRef


@dataclass(frozen=True, slots=True)
class ConditionUse:
    """A named condition in a place: of the part whose expression it is, inside an edge or hold."""

    name: str
    context: Context
    part: str | None = None
    inside: str | None = None


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """Why a named condition may not stand in a place.

    ``by`` is the condition in whose text the reason stands, at ``span``; ``through`` are those on the way
    to it.
    """

    message: str
    hint: str
    by: str
    span: Span
    through: tuple[str, ...] = ()


def part_truths(part: Part) -> tuple[str, ...]:
    """The truths a part offers, in a fixed order."""
    match part:
        case Travel(stops=stops):
            return (*(f"at_{stop}" for stop in stops), "moving", "still")
        case Spin():
            return ("turning", "still", "at_speed")
        case Flow():
            return ("item",)
        case Automaton(states=states):
            return tuple(f"at_{state}" for state in states)


def memory_bounds(memory: Memory) -> tuple[int, int]:
    """Smallest and largest value of a memory; 0 and 1 for a bit."""
    if memory.range is None:
        return 0, 1
    low, _, high = memory.range.partition("..")
    return int(low), int(high)


class Namespace:
    """The names of one machine.

    ``collisions`` lists names that are used twice, as (name, first section, second section);
    the first meaning is the one kept.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self._sections: dict[str, str] = {}
        collisions = []
        for section in ("inputs", "outputs", "memory", "parts", "sequences", "conditions"):
            for name in getattr(machine, section):
                first = self._sections.setdefault(name, section)
                if first != section:
                    collisions.append((name, first, section))
        self.collisions = tuple(collisions)
        self._truths = {name: part_truths(part) for name, part in machine.parts.items()}
        self.brought_in: dict[ConditionUse, BroughtIn | None] = {}
        """What is wrong with named conditions in the places where they stand, as far as it was asked for."""

    # -- names ---------------------------------------------------------------------------

    @cached_property
    def not_written_out(self) -> frozenset[str]:
        """Named conditions that are made of themselves, that would be too large, or that hold such a one."""
        known = self.machine.conditions
        return frozenset(name for name, item in known.items() if any(names_in(item.when.tree, known)))

    def is_condition(self, path: str) -> bool:
        """Whether a name is that of a named condition, or ``seen.`` and such a name."""
        return self._sections.get(path.removeprefix("seen.")) == "conditions"

    def resolve(self, path: str, context: Context, part: str | None = None) -> Reference:
        """What a name means where it stands; ``part`` is the part whose expression it is.

        Raises:
            TextError: if the name is unknown or may not be read here; offsets count within
                ``path``.
        """
        found = self._find(path, part if context in (Context.PLANT, Context.SENSE) else None)
        if found is None:
            raise self._unknown(path, context, part)
        refusal = self._refusal(found, path, context, part)
        if refusal is not None:
            raise TextError(refusal[0], 0, len(path), refusal[1])
        return found

    def resolve_at(self, place: str, context: Context, part: str | None = None) -> PartTruthRef:
        """What ``at place`` means inside an expression of a part.

        Raises:
            TextError: if the part has no such place or the expression is no part's; offsets
                count within ``place``.
        """
        if context not in (Context.PLANT, Context.SENSE) or part is None:
            raise TextError(
                f"'at' cannot stand in {context.value}", 0, len(place),
                self._state_hint(place, context)
                or f"a requirement says 'part.at_{place}', a guard reads a switch",
            )  # fmt: skip
        truth = f"at_{place}"
        if truth not in self._truths[part]:
            places = [known[3:] for known in self._truths[part] if known.startswith("at_")]
            raise TextError(
                f"'{part}' has no place '{shorten(place)}'", 0, len(place), nearest_hint(place, places)
            )
        return PartTruthRef(part, truth)

    def known(self, context: Context, part: str | None = None) -> Iterator[str]:
        """Every name that may be read in a context, as it is written there."""
        machine = self.machine
        if context not in PHYSICAL:
            yield from machine.inputs
            yield from machine.memory
            for name, sequence in machine.sequences.items():
                yield from (f"{name}.{state}" for state in sequence.states)
        if context is not Context.SENSE:
            yield from machine.outputs
            yield from machine.conditions
        if context in (Context.SENSE, Context.PLANT) and part is not None:
            yield from self._truths[part]
        if context in (*KNOWS_ALL, Context.PLANT, Context.DRIVE):
            for name, truths in self._truths.items():
                if name != part:
                    yield from (
                        f"{name}.{truth}"
                        for truth in truths
                        if context is not Context.DRIVE or _is_place(truth)
                    )
        if context in KNOWS_ALL:
            yield from (f"seen.{name}" for name in (*machine.inputs, *machine.conditions))
            yield from (f"asked.{name}" for name in machine.outputs)

    def _find(self, path: str, own: str | None) -> Reference | None:
        root, _, rest = path.partition(".")
        if own is not None and path in self._truths[own]:
            return PartTruthRef(own, path)
        if not rest:
            match self._sections.get(root):
                case "inputs":
                    return InputRef(root)
                case "outputs":
                    return OutputRef(root)
                case "memory":
                    return MemoryRef(root)
            return None
        if root == "seen" and rest in self.machine.inputs:
            return SeenRef(rest)
        if root == "asked" and rest in self.machine.outputs:
            return AskedRef(rest)
        section = self._sections.get(root)
        if section == "sequences" and rest in self.machine.sequences[root].states:
            return StateRef(root, rest)
        if section == "parts" and rest in self._truths[root]:
            return PartTruthRef(root, rest)
        return None

    def _refusal(
        self, found: Reference, path: str, context: Context, part: str | None
    ) -> tuple[str, str] | None:
        """Why a known name may not be read in a context, and what to do, or None."""
        match found:
            case PartTruthRef(part=owner, truth=truth) if context in CONTROLLER:
                return (
                    f"'{path}' is known to the simulation and to requirements, not to the controller",
                    self._switches_hint(owner),
                )
            case SeenRef(name=name) | AskedRef(name=name) if context not in KNOWS_ALL:
                return f"'{path}' may stand in requirements only", f"say '{name}'"
            case PartTruthRef(part=owner) if context is Context.SENSE and owner != part:
                return f"a switch of '{part}' senses '{part}' only, not '{owner}'", ""
            case PartTruthRef(part=owner, truth=truth) if context is Context.DRIVE:
                if owner == part:
                    return f"'{part}' cannot be driven by its own place or motion", "name outputs here"
                if not _is_place(truth):
                    return (
                        f"'{path}' is a motion, and what drives a part may read outputs and places only",
                        f"say for example '{owner}.{self._a_place(owner)}'" if self._a_place(owner) else "",
                    )
            case OutputRef() if context is Context.SENSE:
                return f"'{path}' is an output; a switch senses its own part only", ""
            case InputRef() | MemoryRef() | StateRef() if context in PHYSICAL:
                return (
                    f"'{path}' belongs to the controller, which {context.value} cannot read",
                    "a switch senses its own part only"
                    if context is Context.SENSE
                    else "a part depends on outputs and on other parts",
                )
        return None

    def _unknown(self, path: str, context: Context, part: str | None) -> TextError:
        root, _, rest = path.partition(".")
        section = self._sections.get(root)
        if not rest and section == "sequences":
            states = self.machine.sequences[root].states
            return TextError(
                f"'{root}' is a sequence, not a truth", 0, len(path),
                f"name one of its states, as in '{root}.{next(iter(states))}'",
            )  # fmt: skip
        if not rest and section == "parts":
            return TextError(
                f"'{root}' is a part, not a truth", 0, len(path),
                f"name one of its truths, as in '{root}.{self._truths[root][0]}'",
            )  # fmt: skip
        start = len(root) + 1
        if rest and section == "sequences":
            return TextError(
                f"the sequence '{root}' has no state '{shorten(rest)}'", start, len(path),
                nearest_hint(rest, self.machine.sequences[root].states),
            )  # fmt: skip
        if rest and section == "parts":
            return TextError(
                f"the part '{root}' has no truth '{shorten(rest)}'", start, len(path),
                nearest_hint(rest, self._truths[root]),
            )  # fmt: skip
        if rest and root in ("seen", "asked"):
            machine = self.machine
            what, names = (
                ("input", (*machine.inputs, *machine.conditions))
                if root == "seen"
                else ("output", tuple(machine.outputs))
            )
            hint = (
                f"'seen.{rest}' is the controller's own view of it"
                if rest in machine.conditions
                else nearest_hint(rest, names)
            )
            return TextError(f"there is no {what} '{shorten(rest)}'", start, len(path), hint)
        if rest and section in ("inputs", "outputs", "memory", "conditions"):
            return TextError(f"'{root}' has no '.{shorten(rest)}'", len(root), len(path), f"say '{root}'")
        hint = nearest_hint(path, self.known(context, part))
        return TextError(
            f"unknown name '{shorten(path)}'", 0, len(path), hint or self._state_hint(path, context)
        )

    def _state_hint(self, word: str, context: Context) -> str:
        """The full name, readable here, whose last word is the one given."""
        ends = (f".{word}", f".at_{word}")
        found = next((name for name in self.known(context) if name.endswith(ends)), None)
        return f"did you mean '{found}'?" if found else ""

    def _switches_hint(self, part: str) -> str:
        switches = list(self.machine.parts[part].senses)
        if not switches:
            return f"give '{part}' a switch under 'senses' and read that"
        return "read a switch instead: " + ", ".join(f"'{name}'" for name in switches)

    def _a_place(self, part: str) -> str | None:
        return next((truth for truth in self._truths[part] if _is_place(truth)), None)


def nearest_hint(word: str, known: Iterable[str]) -> str:
    """``did you mean 'x'?`` if something similar exists, else the choices when they are few."""
    names = list(known)
    folded: dict[str, str] = {}
    for name in names:
        folded.setdefault(name.lower(), name)
    wanted = word.lower()
    candidates = list(folded)
    if len(candidates) > MOST_COMPARED:  # what begins alike is nearest to what was meant
        candidates.sort(
            key=lambda name: (not name.startswith(wanted[:2]), abs(len(name) - len(wanted)), name)
        )
        candidates = candidates[:MOST_COMPARED]
    close = get_close_matches(wanted, candidates, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{folded[close[0]]}'?"
    if 0 < len(names) <= 8:
        return "there is " + ", ".join(f"'{name}'" for name in names)
    return ""


def _is_place(truth: str) -> bool:
    return truth.startswith("at_") or truth == "item"
