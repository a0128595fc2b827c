"""The assumptions behind every verdict, in sentences: what was widened, and what is left out."""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import canonical
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import (
    Automaton,
    Flow,
    FromAnywhere,
    Invariance,
    Machine,
    Reach,
    Requirement,
    Response,
    Spin,
    Travel,
)
from stillgate.controller.rules.namespace import Namespace

from ..requirements.monitors import is_judged
from ..requirements.requirement_times import (
    held_ticks,
    invariance_ticks,
    response_ticks,
    sided_conditions,
    sided_holds,
)
from ..results.assumption import Assumption, Limit, Topic

NO_FAULTS = "No faults."

LEFT_OUT = (
    "contact bounce",
    "pick-up and drop-out delay of switches",
    "intermittent contacts",
    "slow valves",
    "several faults at once",
    "and every fault inside the processor",
)
"""What no check looks at."""


def assumptions_of(machine: Machine, tick: Milliseconds, faults: int) -> tuple[str, ...]:
    """Everything a reader must know before leaning on a verdict of this check, in sentences."""
    return tuple(item.text for item in assumed_of(machine, tick, faults))


def assumed_of(machine: Machine, tick: Milliseconds, faults: int) -> tuple[Assumption, ...]:
    """The same as values, topic by topic."""
    return (
        *_about_time(machine, tick),
        *(Assumption(Topic.INPUTS, lead, names) for lead, names in _about_inputs(machine)),
        *(Assumption(Topic.PARTS, lead, names) for lead, names in _about_parts(machine, tick)),
        *(Assumption(Topic.FAULTS, lead, names) for lead, names in _about_faults(machine, faults)),
        Assumption(Topic.LEFT_OUT, "Left out of this check", LEFT_OUT),
        Assumption(
            Topic.MODEL,
            "This is a check of a model, not of a machine: the parts are as the file describes them. Local "
            "codes apply, and a competent person decides.",
        ),
    )


def _about_time(machine: Machine, tick: Milliseconds) -> list[Assumption]:
    return [
        Assumption(Topic.TIME, _step(machine, tick)),
        *_rounded_times(machine, tick),
        *_rounded_limits(machine, tick),
    ]


def _step(machine: Machine, tick: Milliseconds) -> str:
    if tick == machine.scan:
        return f"One step is one scan of {format_duration(tick)}."
    return (
        f"One step is one tick of {format_duration(tick)}; the controller scans every "
        f"{format_duration(machine.scan)}. Two events closer together than a tick are seen at once or a "
        "tick apart."
    )


def _rounded_times(machine: Machine, tick: Milliseconds) -> Iterator[Assumption]:
    rounded = sorted({time for time in _controller_times(machine) if time % tick})
    if rounded:
        times = tuple(format_duration(time) for time in rounded)
        yield Assumption(
            Topic.TIME, "Controller times that are no whole number of ticks are rounded up", times
        )


def _rounded_limits(machine: Machine, tick: Milliseconds) -> Iterator[Assumption]:
    needs = machine.requirements.items()
    limits = [
        Limit(
            name,
            format_duration(item.within),
            f"allows {_ticks_text(response_ticks(item.within, machine.scan, tick))}",
        )
        for name, item in needs
        if isinstance(item, Response)
    ]
    limits += [
        Limit(name, format_duration(item.during), f"needs {_ticks_text(invariance_ticks(item.during, tick))}")
        for name, item in needs
        if isinstance(item, Invariance)
    ]
    if limits:
        lead = "Limits of requirements are rounded against the machine, one scan for the sampling included"
        yield Assumption(Topic.TIME, lead, limits=tuple(limits))
    holds = tuple(limit for name, item in needs for limit in _rounded_holds(machine, name, item, tick))
    if holds:
        lead = (
            "So are the times of 'held' in requirements, of a state or an output without the scan for the "
            "sampling"
        )
        yield Assumption(Topic.TIME, lead, limits=holds)


def _rounded_holds(
    machine: Machine, name: str, requirement: Requirement, tick: Milliseconds
) -> Iterator[Limit]:
    """Every ``held`` of a requirement that counts from another time on than the one written."""
    names, told = Namespace(machine), set[Limit]()
    for condition, side in sided_conditions(requirement):
        for node, breaks in sided_holds(condition.tree, side):
            ticks = held_ticks(node, names, machine.scan, tick, breaks=breaks)
            if ticks * tick == node.milliseconds:
                continue
            if ticks < 0:
                counts = "counts in every tick, for it is shorter than a scan"
            else:
                does = "break" if breaks else "satisfy"
                counts = f"counts from {_ticks_text(ticks)} on where its truth can {does}"
            time = f"held({canonical(node.argument)}, {format_duration(node.milliseconds)})"
            limit = Limit(name, time, counts)
            if limit not in told:
                told.add(limit)
                yield limit


def _ticks_text(count: Ticks) -> str:
    if count < 0:
        return "nothing, for it is shorter than a scan"
    return f"{count} tick" if count == 1 else f"{count} ticks"


def _controller_times(machine: Machine) -> list[Milliseconds]:
    times = [item.debounce for item in machine.inputs.values() if item.debounce]
    for sequence in machine.sequences.values():
        for state in sequence.states.values():
            times += [item.after for item in state.exits if item.after]
    return times


Said = tuple[str, tuple[str, ...]]
"""A sentence and the names that it lists."""


def _about_inputs(machine: Machine) -> Iterator[Said]:
    sensed = {signal for part in machine.parts.values() for signal in part.senses}
    operator = tuple(name for name, item in machine.inputs.items() if item.source == "operator")
    free = tuple(name for name in machine.inputs if name not in sensed and name not in operator)
    if operator:
        yield "The operator may do anything in any tick with", operator
    if free:
        yield "These inputs are driven by nothing in the file and may be anything in any tick", free


def _about_parts(machine: Machine, tick: Milliseconds) -> Iterator[Said]:
    parts = machine.parts.items()
    anywhere = tuple(name for name, part in parts if part.starts == "anywhere")
    if anywhere:
        yield "At power-on these parts may stand anywhere, moving included", anywhere
    placed = tuple(f"{name} {part.starts}" for name, part in parts if part.starts != "anywhere")
    if placed:
        yield "At power-on these parts are taken to be, for any time that their times allow", placed
    entered = tuple(name for name, part in parts if isinstance(part, Automaton | Flow) and part.just_entered)
    if entered:
        yield "What these parts are at power-on is taken to have begun at that very moment", entered
    yield from _about_motion(machine)
    widened = tuple(sorted({name for name, span in _spans(machine) if span[0] % tick or span[1] % tick}))
    if widened:
        yield "Part times that are no whole number of ticks are widened outward", widened
    many = tuple(name for name, part in parts if isinstance(part, Travel) and len(part.stops) > 2)
    if many:
        yield "A travel is seen at each stop for at least one tick", many


def _spans(machine: Machine) -> Iterator[tuple[str, tuple[Milliseconds, Milliseconds]]]:
    """Every time from..to of a part, with its name."""
    for name, part in machine.parts.items():
        if isinstance(part, Automaton):
            for state in part.states.values():
                yield from ((name, item.takes) for item in state.exits if item.takes)
        else:
            for field in ("takes", "takes_back", "runs_up", "runs_down", "every", "lasts"):
                value = getattr(part, field, None)
                if value:
                    yield name, value


def _about_motion(machine: Machine) -> Iterator[Said]:
    """How parts move where a real one may move otherwise."""
    interrupted = tuple(
        name
        for name, part in machine.parts.items()
        if isinstance(part, Automaton)
        and any(item.when and item.takes for state in part.states.values() for item in state.exits)
    )
    if interrupted:
        yield "A time for which a condition must be true starts again from 0 when interrupted", interrupted
    turned = tuple(name for name, part in machine.parts.items() if isinstance(part, Spin) and part.runs_up[1])
    if turned:
        yield (
            "No speed between standstill and full speed is kept: driven again while running down, or let "
            "go while running up, any time up to the longest is possible. That allows more than the real "
            "part does, so that 'reach' and 'from_anywhere' may hold by it",
            turned,
        )


def _about_faults(machine: Machine, faults: int) -> Iterator[Said]:
    if faults:
        yield (
            "Single faults: each input and each output stuck on or stuck off from any moment on, power-on "
            "included, for good; or power interrupted once for any number of ticks, after which the "
            "controller starts cold while parts, operator and requirements go on.",
            (),
        )
    else:
        yield NO_FAULTS, ()
    needs = machine.requirements.items()
    possible = tuple(name for name, item in needs if isinstance(item, Reach | FromAnywhere))
    if possible and faults:
        yield "Judged without faults only, since they ask what is possible", possible
    healthy = tuple(name for name, item in needs if not is_judged(item, faults, possibility=True))
    if healthy:
        yield (
            "Judged without faults only, since they name no hazard and the file says 'faults: 0' of them",
            healthy,
        )
