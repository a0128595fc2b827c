"""The machine file as values: one pydantic model per section, in the order a reader meets them.

These models hold shape only. Names are resolved and types checked in ``namespace`` and
``rules``; positions of every key are kept beside the models by ``reader``.
"""

from __future__ import annotations

from enum import Enum
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Discriminator, Field, Tag

from .quantities import Condition, Duration, DurationRange, Identifier, SenseCondition


class Section(BaseModel):
    """Common behaviour of every section: immutable, and unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, strict=True)


class Contact(Enum):
    """How a switch is built; says what a broken wire looks like and inverts nothing."""

    NORMALLY_OPEN = "normally_open"
    NORMALLY_CLOSED = "normally_closed"


class Level(Enum):
    """Electrical level of a pin while its circuit conducts or its output is driven."""

    HIGH = "high"
    LOW = "low"


class Input(Section):
    """A switch circuit: true while it conducts."""

    source: Literal["operator"] | None = Field(None, alias="from")
    contact: Contact = Contact.NORMALLY_OPEN
    active: Level = Level.HIGH
    debounce: Duration = 0
    note: str = ""


class Output(Section):
    """A valve, motor or lamp: true while driven."""

    hazard: Identifier | None = None
    active: Level = Level.HIGH
    note: str = ""


class Memory(Section):
    """A bit (no ``range``) or a bounded counter that one sequence writes."""

    range: Annotated[str, Field(pattern=r"^-?\d+\.\.-?\d+$")] | None = None
    start: bool | int = False
    note: str = ""


class Spin(Section):
    """Something that turns: runs up while driven, runs down afterwards."""

    kind: Literal["spin"]
    drive: Identifier
    runs_up: DurationRange = Field(default=(0, 0))
    runs_down: DurationRange
    senses: dict[Identifier, SenseCondition] = {}
    starts: Literal["anywhere", "still", "at_speed"] = "anywhere"
    note: str = ""


class Travel(Section):
    """Something that moves between named stops."""

    kind: Literal["travel"]
    stops: list[Identifier] = Field(min_length=2, max_length=16)
    forward: Identifier
    back: Identifier
    takes: DurationRange
    takes_back: DurationRange | None = None
    senses: dict[Identifier, SenseCondition] = {}
    starts: Identifier = "anywhere"
    note: str = ""


class Flow(Section):
    """Items that pass a place one after another while something runs."""

    kind: Literal["flow"]
    runs_while: Condition = Field(alias="while")
    every: DurationRange
    lasts: DurationRange
    senses: dict[Identifier, SenseCondition] = {}
    starts: Literal["anywhere", "empty"] = "anywhere"
    note: str = ""


class PartExit(Section):
    """A way out of an automaton's state: must fire at the end of ``takes``, may from its beginning."""

    to: Identifier
    when: Condition | None = None
    takes: DurationRange | None = None
    freely: bool = False
    note: str = ""


class PartState(Section):
    """A state of an automaton part."""

    exits: list[PartExit] = []
    note: str = ""


class Automaton(Section):
    """Any other physical thing: states, conditions and times."""

    kind: Literal["automaton"]
    states: dict[Identifier, PartState] = Field(min_length=1)
    senses: dict[Identifier, SenseCondition] = {}
    starts: Identifier = "anywhere"
    note: str = ""


Part = Annotated[Spin | Travel | Flow | Automaton, Field(discriminator="kind")]


class Actions(Section):
    """What an exit does to memory besides changing state."""

    do: dict[Identifier, Condition] = {}
    set: list[Identifier] = []
    clear: list[Identifier] = []


class Exit(Actions):
    """A way out of a state: ``when`` holds and ``after`` has elapsed since entry."""

    to: Identifier
    when: Condition | None = None
    after: Duration | None = None
    note: str = ""


class Override(Actions):
    """An exit looked at first, in every state."""

    to: Identifier
    when: Condition
    note: str = ""


class State(Section):
    """A state: the outputs it demands and the ways out of it."""

    on: list[Identifier] = []
    exits: list[Exit] = []
    end: bool = False
    note: str = ""


class Sequence(Section):
    """One state machine of the controller."""

    start: Identifier
    overrides: list[Override] = []
    states: dict[Identifier, State] = Field(min_length=1)
    note: str = ""


class Interlock(Section):
    """The last word on an output: off unless the condition holds."""

    hold_off: Identifier
    unless: Condition
    why: str = ""


class RequirementBase(Section):
    """What every requirement may say besides its pattern."""

    hazard: Identifier | None = None
    faults: Annotated[int, Field(ge=0, le=1)] | None = None
    why: str = ""


class Never(RequirementBase):
    """Absence, globally (Dwyer et al. 1999): G not P."""

    never: Condition


class Always(RequirementBase):
    """Universality, globally: G P."""

    always: Condition


class Response(RequirementBase):
    """Bounded response (Konrad and Cheng 2005): G (P -> F[0,t] S)."""

    after: Condition
    then: Condition
    within: Duration


class Invariance(RequirementBase):
    """Bounded invariance (Konrad and Cheng 2005): G (P -> G[0,t] S)."""

    after: Condition
    keep: Condition
    during: Duration = Field(alias="for")


class Precedence(RequirementBase):
    """Precedence (Dwyer et al. 1999): P not before S, anew after every ``since``."""

    before: Condition
    first: Condition
    since: Condition | None = None


class Reach(RequirementBase):
    """Possibility: some run reaches P (EF P)."""

    reach: Condition


class FromAnywhere(RequirementBase):
    """Possibility from everywhere: every reachable situation has a way to P (AG EF P)."""

    from_anywhere: Condition


PATTERN_KEYS = {
    "never": "never",
    "always": "always",
    "then": "response",
    "within": "response",
    "keep": "invariance",
    "for": "invariance",
    "first": "precedence",
    "before": "precedence",
    "reach": "reach",
    "from_anywhere": "from_anywhere",
}


def _pattern(value: Any) -> str | None:
    if isinstance(value, RequirementBase):
        return type(value).__name__.lower().replace("fromanywhere", "from_anywhere")
    if isinstance(value, dict):
        for key, pattern in PATTERN_KEYS.items():
            if key in value:
                return pattern
    return None


Requirement = Annotated[
    Annotated[Never, Tag("never")]
    | Annotated[Always, Tag("always")]
    | Annotated[Response, Tag("response")]
    | Annotated[Invariance, Tag("invariance")]
    | Annotated[Precedence, Tag("precedence")]
    | Annotated[Reach, Tag("reach")]
    | Annotated[FromAnywhere, Tag("from_anywhere")],
    Discriminator(_pattern),
]


class Exclusion(Section):
    """A fault that the check leaves out, with the reason (ISO 13849-2 fault exclusion)."""

    fault: str
    why: str = Field(min_length=1)


class CheckOptions(Section):
    """Defaults of ``stillgate check`` for this machine."""

    tick: Duration | None = None
    faults: Annotated[int, Field(ge=0, le=1)] = 1
    exclude: list[Exclusion] = []


class Machine(Section):
    """A whole machine file."""

    machine: Identifier
    title: str = ""
    note: str = ""
    scan: Annotated[Duration, Field(gt=0)]
    hazards: dict[Identifier, str] = {}
    inputs: dict[Identifier, Input] = {}
    outputs: dict[Identifier, Output] = {}
    memory: dict[Identifier, Memory] = {}
    parts: dict[Identifier, Part] = {}
    sequences: dict[Identifier, Sequence] = Field(min_length=1)
    interlocks: list[Interlock] = []
    requirements: dict[Identifier, Requirement] = {}
    check: CheckOptions = CheckOptions()
