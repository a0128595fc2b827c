"""A scenario: what an operator does and what goes wrong, when, and what is expected of it.

The models of a scenario file, one step a list item. A step without ``at`` happens at the time
of the step before it; so an expectation may follow what it is about::

    scenario: stop_while_cutting
    machine: harvester.yaml
    seed: 3
    steps:
      - {at: 3.2 s, press: restart}
      - {expect: harvest.cutting, within: 5 s}
      - {at: 9 s, hold: lever_raise, for: 2 s}
      - {keep: not arms.moving, for: 2 s}
      - {at: 12 s, inject: cutter_still stuck on}

Shape only; names are checked against the machine by ``scenario_reader``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from stillgate.controller.machine_file.field_types import Condition, Duration, Identifier, Milliseconds
from stillgate.controller.machine_file.fields import about
from stillgate.controller.machine_file.machine import FileSection

PRESS: Milliseconds = 200
"""How long something is pressed if a step does not say (common practice, no source)."""

TAIL: Milliseconds = 1000
"""How long a scenario goes on after its last step if it does not say."""


def _read_level(value: object) -> bool:
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.lower() in ("on", "off"):
        return value.lower() == "on"
    raise PydanticCustomError("literal_error", "on or off", {"expected": "'on' or 'off'"})


def _read_names(value: object) -> object:
    return [value] if isinstance(value, str) else value


Level = Annotated[
    bool,
    BeforeValidator(_read_level),
    WithJsonSchema({"anyOf": [{"enum": ["on", "off"]}, {"type": "boolean"}]}),
]
"""``on`` or ``off``: whether a circuit conducts, whether power is on."""

Names = Annotated[
    list[str],
    BeforeValidator(_read_names),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]
"""One name or a list of them."""


class Step(FileSection):
    """One thing that is done, that goes wrong or that is expected."""

    at: Annotated[Duration | None, about("When; without it, at the time of the step before.", "3.2 s")] = None
    press: Annotated[
        Names | None,
        about("Inputs that are actuated and let go: a normally closed one opens meanwhile.", "restart"),
    ] = None
    hold: Annotated[
        Names | None, about("Inputs that are actuated, for a time or until they are released.", "lever")
    ] = None
    release: Annotated[Names | None, about("Inputs that are let go.", "lever")] = None
    set: Annotated[
        dict[Identifier, Level] | None,
        about("Circuits that conduct (on) or not (off) from now on.", {"seat": "on"}),
    ] = None
    inject: Annotated[
        str | None, about("A disturbance that begins (see 'stillgate faults').", "cutter_still stuck on")
    ] = None
    clear: Annotated[str | None, about("A disturbance that ends.", "cutter_still stuck on")] = None
    power: Annotated[Level | None, about("The controller's supply.", "off")] = None
    expect: Annotated[
        Condition | None, about("What must be true: now, or once 'within' a time.", "harvest.cutting")
    ] = None
    keep: Annotated[
        Condition | None, about("What must be true at every instant for a time.", "not arms.moving")
    ] = None
    within: Annotated[Duration | None, about("Longest wait of an expectation.", "5 s")] = None
    during: Annotated[Duration | None, about("How long something is pressed, held or kept.", "2 s")] = Field(
        None, alias="for"
    )
    note: Annotated[str, about("Anything a reader should know.", "the driver gets down")] = ""

    @property
    def doing(self) -> tuple[str, ...]:
        """Which of its keys say what the step does; one, if the step is right."""
        return tuple(key for key in DOINGS if getattr(self, key) is not None)


DOINGS = ("press", "hold", "release", "set", "inject", "clear", "power", "expect", "keep")
"""Keys that say what a step does."""

WITH_FOR = ("press", "hold", "keep")
"""Steps that may last."""


class Scenario(FileSection):
    """A whole scenario file."""

    scenario: Annotated[Identifier, about("The scenario's name.", "stop_while_cutting")]
    title: Annotated[str, about("What it shows, in words.", "Emergency stop while cutting")] = ""
    machine: Annotated[str, about("The machine file, seen from this file's folder.", "harvester.yaml")]
    seed: Annotated[
        int, about("Decides whatever parts, switches and operator leave open.", 3, ge=0, lt=2**63)
    ] = 0
    operator: Annotated[
        Literal["nobody", "sensible", "clumsy", "hostile"],
        about("Who else moves the free inputs.", "sensible"),
    ] = "nobody"
    disturb: Annotated[
        list[str], about("Disturbances that are there from the start.", ["restart bounces 5 ms"])
    ] = Field(default_factory=list)
    watch: Annotated[
        list[Identifier] | None,
        about("Requirements that are watched; without it, all of the machine.", ["estop_stops_drives"]),
    ] = None
    lasts: Annotated[
        Duration | None, about("When it ends; without it, a second after its last step.", "12 s")
    ] = None
    steps: Annotated[
        list[Step], about("What happens and what is expected.", [{"at": "3 s", "press": "restart"}])
    ] = Field(default_factory=list)
    note: Annotated[str, about("Anything a reader should know.", "found by a soak")] = ""

    @property
    def times(self) -> tuple[Milliseconds, ...]:
        """When each step begins."""
        found: list[Milliseconds] = []
        for step in self.steps:
            found.append(step.at if step.at is not None else found[-1] if found else 0)
        return tuple(found)

    @property
    def duration(self) -> Milliseconds:
        """When it ends."""
        if self.lasts is not None:
            return self.lasts
        ends = [time + _length(step) for time, step in zip(self.times, self.steps, strict=True)]
        return max(ends, default=0) + TAIL


def _length(step: Step) -> Milliseconds:
    if step.within is not None:
        return step.within
    if step.during is not None:
        return step.during
    return PRESS if step.press is not None else 0


def names_of(step: Step) -> Sequence[str]:
    """The inputs that a step moves."""
    for names in (step.press, step.hold, step.release):
        if names is not None:
            return names
    return tuple(step.set or ())
