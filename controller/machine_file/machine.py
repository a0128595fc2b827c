"""The machine file as values: one pydantic model per section, in the order a reader meets them.

These models hold shape only. Names are resolved and types checked in ``namespace``, ``kinds``
and ``rules``; positions of every key are kept beside the models by ``reader``. The sentence and
the example at each field are what editors show and what ``stillgate schema`` publishes.
"""

from __future__ import annotations

from enum import Enum
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    ModelWrapValidatorHandler,
    Tag,
    model_validator,
)

from .field_types import (
    Condition,
    CounterRange,
    Duration,
    DurationRange,
    Identifier,
    SenseCondition,
    StartValue,
)
from .fields import about
from .named_conditions import ShortOrLong, written_out_in

MOST_EXITS, MOST_OVERRIDES = 200, 50
"""Of one state, of one sequence. They nest, as each is tried only where none before it was taken."""


class FileSection(BaseModel):
    """Common behaviour of every section: immutable, and unknown keys are refused."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", populate_by_name=True, strict=True, defer_build=True
    )


class Contact(Enum):
    """How a switch is built; says what a broken wire looks like and inverts nothing."""

    NORMALLY_OPEN = "normally_open"
    NORMALLY_CLOSED = "normally_closed"


class Level(Enum):
    """Electrical level of a pin while its circuit conducts or its output is driven."""

    HIGH = "high"
    LOW = "low"


Note = Annotated[str, about("Anything a reader of the file should know.", "mounted behind the left door")]
Hazard = Annotated[
    Identifier | None, about("The hazard this belongs to, by its name under 'hazards'.", "crushing")
]
Senses = Annotated[
    dict[Identifier, SenseCondition],
    about("Inputs whose circuit this part closes, and when it conducts.", {"gate_open": "at open"}),
]


class Input(FileSection):
    """A switch circuit: true while it conducts."""

    source: Annotated[
        Literal["operator"] | None,
        about("Who moves the switch; without it and without a part it is free at every tick.", "operator"),
    ] = Field(None, alias="from")
    contact: Annotated[
        Contact,
        about("Whether actuation closes or opens the circuit.", "normally_closed", strict=False),
    ] = Contact.NORMALLY_OPEN
    active: Annotated[Level, about("Level of the pin while the circuit conducts.", "low", strict=False)] = (
        Level.HIGH
    )
    debounce: Annotated[Duration, about("How long a new level must last before it counts.", "40 ms")] = 0
    note: Note = ""


class Output(FileSection):
    """A valve, motor or lamp: true while driven."""

    hazard: Hazard = None
    active: Annotated[Level, about("Level of the pin while the output is driven.", "low", strict=False)] = (
        Level.HIGH
    )
    note: Note = ""


class Memory(FileSection):
    """A bit (no ``range``) or a bounded counter that one sequence writes."""

    range: Annotated[
        CounterRange | None, about("Smallest and largest value of a counter; without it, a bit.", "0..5")
    ] = None
    start: Annotated[StartValue, about("Value at power-on.", 0)] = False
    note: Note = ""


class Spin(FileSection):
    """Something that turns: runs up while driven, runs down afterwards.

    ``runs_up`` counts from standstill and ``runs_down`` from full speed. Between the two no speed is
    kept: driven again while it runs down, or let go while it runs up, it may take any time up to the
    longest one. ``turning`` is true while it is driven or not at standstill, ``at_speed`` at full
    speed, ``still`` is the opposite of ``turning``.
    """

    kind: Annotated[Literal["spin"], about("What sort of part this is.", "spin")]
    drive: Annotated[Condition, about("While this is true the part is driven.", "motor_on")]
    runs_up: Annotated[
        DurationRange, about("Driven time from standstill to full speed; without it, a tick.", "1..2 s")
    ] = (0, 0)
    runs_down: Annotated[DurationRange, about("Time from full speed to standstill, not driven.", "2..4 s")]
    senses: Senses = {}
    starts: Annotated[
        Literal["anywhere", "still", "at_speed"],
        about(
            "How the part is when power comes on; 'anywhere' is still, at full speed, or anywhere between, "
            "running up or down.",
            "still",
        ),
    ] = "anywhere"
    note: Note = ""


class Travel(FileSection):
    """Something that moves between named stops.

    Not driven it stands at once and keeps its place. Driven back from halfway it needs the same share
    of the time back as it has covered of the time there, rounded outward. Driven both ways it stands,
    goes forward or goes back, anew in every tick. ``moving`` is true while it is driven, at its last
    stop too; ``still`` is the opposite. It is at every stop it passes for one tick at least.
    """

    kind: Annotated[Literal["travel"], about("What sort of part this is.", "travel")]
    stops: Annotated[
        list[Identifier],
        about("The stops in the order of forward motion.", ["shut", "open"], min_length=2, max_length=16),
    ]
    forward: Annotated[Condition, about("While this is true the part is driven forward.", "motor_open")]
    back: Annotated[Condition, about("While this is true the part is driven back.", "motor_shut")]
    takes: Annotated[DurationRange, about("Driven time from one stop to the next.", "3..5 s")]
    takes_back: Annotated[
        DurationRange | None, about("Driven time back, if it differs from 'takes'.", "2..3 s")
    ] = None
    senses: Senses = {}
    starts: Annotated[
        Identifier,
        about(
            "The stop where the part is when power comes on, or 'anywhere': at any stop or anywhere between "
            "two.",
            "shut",
        ),
    ] = "anywhere"
    note: Note = ""


JustEntered = Annotated[
    bool,
    about(
        "What 'starts' says began at the very moment that power came on; without it, nobody knows when.", True
    ),
]


class Flow(FileSection):
    """Items that pass a place one after another while something runs.

    Its times count only while it runs: what stands still keeps its progress. ``item`` is true while
    an item is at the place.
    """

    kind: Annotated[Literal["flow"], about("What sort of part this is.", "flow")]
    runs_while: Annotated[Condition, about("Items move while this is true.", "conveyor.turning")] = Field(
        alias="while"
    )
    every: Annotated[DurationRange, about("Running time from the end of one item to the next.", "2..6 s")]
    lasts: Annotated[DurationRange, about("Running time an item is at the place.", "300..500 ms")]
    senses: Senses = {}
    starts: Annotated[
        Literal["anywhere", "empty"],
        about(
            "How the place is when power comes on, or 'anywhere': an item there or not. 'empty' says nothing "
            "of when the last item left.",
            "empty",
        ),
    ] = "anywhere"
    just_entered: JustEntered = False
    note: Note = ""


class PartExit(FileSection):
    """A way out of an automaton's state: may be taken from the beginning of ``takes``, must at its end.

    With ``when``, ``takes`` counts the time for which ``when`` has been true in the state without
    interruption: it starts again from 0 when interrupted, and when the state is entered. (What keeps
    its progress is a travel.) Without ``when`` it counts the time in the state. Without ``takes`` the
    exit must be taken as soon as ``when`` is true.
    """

    to: Annotated[Identifier, about("The state it leads to.", "locked")]
    when: Annotated[Condition | None, about("It can be taken only while this is true.", "bolt_out")] = None
    takes: Annotated[
        DurationRange | None,
        about(
            "How long 'when' is true, or without 'when' the state has lasted, before it is taken: from the "
            "shorter time on it may be, at the longer one it must.",
            "100..300 ms",
        ),
    ] = None
    freely: Annotated[bool, about("It may be taken where it else must, and need never be.", True)] = False
    note: Note = ""


class PartState(FileSection):
    """A state of an automaton part."""

    exits: Annotated[
        list[PartExit],
        about(
            "Ways out of the state. Of several that may be taken in one tick any may be, whatever their "
            "order.",
            [{"to": "locked", "when": "bolt_out"}],
            max_length=MOST_EXITS,
        ),
    ] = []
    note: Note = ""


class Automaton(FileSection):
    """Any other physical thing: states, conditions and times.

    ``starts`` says which state, not since when: at power-on each of its times is anywhere within its
    range. Only where a ``when`` is false then, with every output off that is not stuck on, its time
    counts from 0.
    """

    kind: Annotated[Literal["automaton"], about("What sort of part this is.", "automaton")]
    states: Annotated[
        dict[Identifier, PartState],
        about("The states, by name.", {"free": {"exits": [{"to": "shut", "when": "bolt"}]}, "shut": {}},
               min_length=1),
    ]  # fmt: skip
    senses: Senses = {}
    starts: Annotated[
        Identifier, about("The state when power comes on, or 'anywhere': any of them.", "free")
    ] = "anywhere"
    just_entered: JustEntered = False
    note: Note = ""


Part = Annotated[Spin | Travel | Flow | Automaton, Field(discriminator="kind")]


class NamedCondition(FileSection):
    """A condition said once. Where its name stands, it stands, as if in brackets.

    Every name in it reads what it would read if it were written there; so one that reads truths of
    parts may stand in no guard and no interlock. ``seen.NAME``, in a requirement, is the controller's
    own view of it. A condition without ``why`` and ``note`` may be written as its text alone.
    """

    when: Annotated[Condition, about("What the name stands for.", "gate_open and edge_clear")]
    why: Annotated[str, about("Why it is put so, as a reviewer should read it.", "one switch may lie")] = ""
    note: Note = ""


class Actions(FileSection):
    """What an exit does to memory besides changing state."""

    do: Annotated[
        dict[Identifier, Condition],
        about("Memory to write, with values read at the scan's start.", {"rail": "rail + 1"}),
    ] = {}
    set: Annotated[list[Identifier], about("Bits that become true.", ["horn_given"])] = []
    clear: Annotated[list[Identifier], about("Bits that become false.", ["horn_given"])] = []


class Exit(Actions):
    """A way out of a state: ``when`` holds and ``after`` has elapsed since entry."""

    to: Annotated[Identifier, about("The state it leads to.", "opening")]
    when: Annotated[Condition | None, about("It can be taken while this is true.", "rising(open_button)")] = (
        None
    )
    after: Annotated[Duration | None, about("Time since the state was entered.", "8 s")] = None
    note: Note = ""


class Override(Actions):
    """An exit looked at first, in every state."""

    to: Annotated[Identifier, about("The state it leads to.", "resting")]
    when: Annotated[Condition, about("It is taken while this is true, whatever the state.", "not stop_ok")]
    note: Note = ""


class State(FileSection):
    """A state: the outputs it demands and the ways out of it."""

    on: Annotated[list[Identifier], about("Outputs demanded while the state is active.", ["motor_open"])] = []
    exits: Annotated[
        list[Exit],
        about(
            "Ways out, the first that can be taken is.",
            [{"when": "gate_open", "to": "waiting"}],
            max_length=MOST_EXITS,
        ),
    ] = []
    end: Annotated[bool, about("The state is meant as an end: no exit leads on.", True)] = False
    note: Note = ""


class Sequence(FileSection):
    """One state machine of the controller."""

    start: Annotated[Identifier, about("The state active from power-on.", "resting")]
    overrides: Annotated[
        list[Override],
        about(
            "Exits looked at first, in every state.",
            [{"when": "not stop_ok", "to": "resting"}],
            max_length=MOST_OVERRIDES,
        ),
    ] = []
    states: Annotated[
        dict[Identifier, State],
        about(
            "The states, by name.", {"resting": {"exits": [{"when": "start", "to": "resting"}]}}, min_length=1
        ),
    ]
    note: Note = ""


class Interlock(FileSection):
    """The last word on an output: off unless the condition holds."""

    hold_off: Annotated[Identifier, about("The output that is held off.", "motor_shut")]
    unless: Annotated[Condition, about("The output may be driven while this is true.", "edge_clear")]
    why: Annotated[
        str, about("The reason, as a technician should read it.", "closing edge must be clear")
    ] = ""


class RequirementBase(FileSection):
    """What every requirement may say besides its pattern."""

    hazard: Hazard = None
    faults: Annotated[
        int | None,
        about("How many faults it must withstand; without it, those of 'check' if a hazard is named. "
              "With 0 and no hazard it is judged without faults only.", 1, ge=0, le=1),
    ] = None  # fmt: skip
    why: Annotated[
        str, about("Where the requirement comes from.", "ISO 13850: releasing restarts nothing")
    ] = ""


class Never(RequirementBase):
    """Absence, globally (Dwyer et al. 1999): G not P."""

    never: Annotated[Condition, about("What must not happen.", "motor_open and motor_shut")]


class Always(RequirementBase):
    """Universality, globally: G P."""

    always: Annotated[Condition, about("What must be so at every instant.", "not motor_open or edge_clear")]


class Response(RequirementBase):
    """Bounded response (Konrad and Cheng 2005): G (P -> F[0,t] S)."""

    after: Annotated[Condition, about("The trigger; every instant of it counts.", "not edge_clear")]
    then: Annotated[Condition, about("What must follow.", "not motor_shut")]
    within: Annotated[Duration, about("Longest time to the answer.", "200 ms")]


class Invariance(RequirementBase):
    """Bounded invariance (Konrad and Cheng 2005): G (P -> G[0,t] S)."""

    after: Annotated[Condition, about("The trigger; every instant of it counts.", "not stop_ok")]
    keep: Annotated[Condition, about("What must stay so.", "not motor_open")]
    during: Annotated[Duration, about("For how long.", "2 s")] = Field(alias="for")


class Precedence(RequirementBase):
    """Precedence (Dwyer et al. 1999): P not before S, anew after every ``since``."""

    before: Annotated[Condition, about("What may happen only afterwards.", "motor_open")]
    first: Annotated[Condition, about("What must happen first.", "rising(open_button)")]
    since: Annotated[Condition | None, about("From here on it must happen anew.", "not stop_ok")] = None


class Reach(RequirementBase):
    """Possibility: some run reaches P (EF P)."""

    reach: Annotated[Condition, about("What must be possible from power-on.", "gate.waiting")]


class FromAnywhere(RequirementBase):
    """Possibility from everywhere: every reachable situation has a way to P (AG EF P)."""

    from_anywhere: Annotated[Condition, about("What must stay possible.", "gate.resting")]


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


def requirement_pattern(value: Any) -> str | None:
    """Which pattern a requirement follows, by the keys it has."""
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
    Discriminator(requirement_pattern),
]


class Exclusion(FileSection):
    """A fault that the check leaves out, with the reason (ISO 13849-2 fault exclusion)."""

    fault: Annotated[str, about("The fault, as the check names it.", "gate_open stuck on")]
    why: Annotated[
        str,
        about("The reason, printed with every verdict.", "positive opening, IEC 60947-5-1", min_length=1),
    ]


class CheckOptions(FileSection):
    """Defaults of ``stillgate check`` for this machine."""

    tick: Annotated[
        Duration | None,
        about(
            "Time of one step of the check, a whole number of scans; without it, one scan. Only then does a "
            "requirement hold: a longer step decides nothing.",
            "100 ms",
        ),
    ] = None
    faults: Annotated[
        int, about("How many faults at once a requirement with a hazard withstands.", 1, ge=0, le=1)
    ] = 1
    exclude: Annotated[
        list[Exclusion],
        about(
            "Faults left out, each with its reason.", [{"fault": "stop_ok stuck on", "why": "two contacts"}]
        ),
    ] = []


class Machine(FileSection):
    """A whole machine file."""

    machine: Annotated[Identifier, about("The machine's name.", "yard_gate")]
    title: Annotated[str, about("The machine's name as people say it.", "Yard gate")] = ""
    note: Note = ""
    scan: Annotated[Duration, about("Period of the real controller.", "20 ms", gt=0)]
    hazards: Annotated[
        dict[Identifier, str],
        about("What can hurt people here (ISO 12100), by name.", {"crushing": "between gate and post"}),
    ] = {}
    inputs: Annotated[
        dict[Identifier, Input], about("Switches, by name.", {"open_button": {"from": "operator"}})
    ] = {}
    outputs: Annotated[
        dict[Identifier, Output], about("Valves, motors and lamps, by name.", {"motor_open": {}})
    ] = {}
    memory: Annotated[
        dict[Identifier, Memory],
        about("Bits and counters, by name.", {"rail": {"range": "0..5", "start": 0}}),
    ] = {}
    parts: Annotated[
        dict[Identifier, Part],
        about("The physical machine, known to the simulation and not to the controller.",
               {"fan": {"kind": "spin", "drive": "fan_on", "runs_down": "2..4 s"}}),
    ] = {}  # fmt: skip
    conditions: Annotated[
        dict[Identifier, Annotated[NamedCondition, ShortOrLong()]],
        about(
            "Conditions said once and used by their names wherever a condition may stand.",
            {"passable": "gate_open and edge_clear"},
        ),
    ] = {}
    sequences: Annotated[
        dict[Identifier, Sequence],
        about("State machines that run side by side, by name.",
               {"gate": {"start": "resting", "states": {"resting": {}}}}, min_length=1),
    ]  # fmt: skip
    interlocks: Annotated[
        list[Interlock],
        about("Last word on outputs, whatever the sequences ask for.",
               [{"hold_off": "motor_shut", "unless": "edge_clear"}]),
    ] = []  # fmt: skip
    requirements: Annotated[
        dict[Identifier, Requirement],
        about("What must hold, by name.", {"one_direction": {"never": "motor_open and motor_shut"}}),
    ] = {}
    check: Annotated[CheckOptions, about("Defaults of the check.", {"faults": 1})] = CheckOptions()

    @model_validator(mode="wrap")
    @classmethod
    def _written_out(cls, value: Any, handler: ModelWrapValidatorHandler[Machine]) -> Machine:
        """Writes named conditions out before anybody reads a condition."""
        machine = handler(value)
        return written_out_in(machine, machine)
