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

NO_FAULTS = "No faults."


def assumptions_of(machine: Machine, tick: Milliseconds, faults: int) -> tuple[str, ...]:
    """Everything a reader must know before leaning on a verdict of this check."""
    found = [*_about_time(machine, tick), *_about_inputs(machine), *_about_parts(machine, tick)]
    found += _about_faults(machine, faults)
    found.append(
        "Left out of this check: contact bounce, pick-up and drop-out delay of switches, intermittent "
        "contacts, slow valves, several faults at once, and every fault inside the processor."
    )
    found.append(
        "This is a check of a model, not of a machine: the parts are as the file describes them. Local "
        "codes apply, and a competent person decides."
    )
    return tuple(found)


def _about_time(machine: Machine, tick: Milliseconds) -> list[str]:
    found: list[str] = []
    if tick == machine.scan:
        found.append(f"One step is one scan of {format_duration(tick)}.")
    else:
        found.append(
            f"One step is one tick of {format_duration(tick)}; the controller scans every "
            f"{format_duration(machine.scan)}. Two events closer together than a tick are seen at once or a "
            "tick apart."
        )
    rounded = [time for time in _controller_times(machine) if time % tick]
    if rounded:
        times = ", ".join(format_duration(time) for time in sorted(set(rounded)))
        found.append(f"Controller times that are no whole number of ticks are rounded up: {times}.")
    limits = [
        f"{name}: {format_duration(item.within)} allows "
        + _ticks_text(response_ticks(item.within, machine.scan, tick))
        for name, item in machine.requirements.items()
        if isinstance(item, Response)
    ]
    limits += [
        f"{name}: {format_duration(item.during)} needs {_ticks_text(invariance_ticks(item.during, tick))}"
        for name, item in machine.requirements.items()
        if isinstance(item, Invariance)
    ]
    if limits:
        found.append(
            "Limits of requirements are rounded against the machine, one scan for the sampling included: "
            + "; ".join(limits)
            + "."
        )
    holds = [
        f"{name}: {text}"
        for name, item in machine.requirements.items()
        for text in _rounded_holds(machine, item, tick)
    ]
    if holds:
        found.append(
            "So are the times of 'held' in requirements, of a state or an output without the scan for the "
            f"sampling: {'; '.join(holds)}."
        )
    return found


def _rounded_holds(machine: Machine, requirement: Requirement, tick: Milliseconds) -> Iterator[str]:
    """Every ``held`` of a requirement that counts from another time on than the one written."""
    names, told = Namespace(machine), set[str]()
    for condition, side in sided_conditions(requirement):
        for node, breaks in sided_holds(condition.tree, side):
            ticks = held_ticks(node, names, machine.scan, tick, breaks=breaks)
            if ticks * tick == node.milliseconds:
                continue
            text = f"held({canonical(node.argument)}, {format_duration(node.milliseconds)}) counts "
            if ticks < 0:
                text += "in every tick, for it is shorter than a scan"
            else:
                text += f"from {_ticks_text(ticks)} on where its truth can {'break' if breaks else 'satisfy'}"
            if text not in told:
                told.add(text)
                yield text


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


def _about_inputs(machine: Machine) -> list[str]:
    sensed = {signal for part in machine.parts.values() for signal in part.senses}
    operator = [name for name, item in machine.inputs.items() if item.source == "operator"]
    free = [name for name in machine.inputs if name not in sensed and name not in operator]
    found = []
    if operator:
        found.append(f"The operator may do anything in any tick with: {', '.join(operator)}.")
    if free:
        found.append(
            "These inputs are driven by nothing in the file and may be anything in any tick: "
            f"{', '.join(free)}."
        )
    return found


def _about_parts(machine: Machine, tick: Milliseconds) -> list[str]:
    if not machine.parts:
        return []
    anywhere = [name for name, part in machine.parts.items() if part.starts == "anywhere"]
    placed = [f"{name} {part.starts}" for name, part in machine.parts.items() if part.starts != "anywhere"]
    found = []
    if anywhere:
        found.append(f"At power-on these parts may stand anywhere, moving included: {', '.join(anywhere)}.")
    if placed:
        found.append(
            f"At power-on these parts are taken to be, for any time that their times allow: "
            f"{', '.join(placed)}."
        )
    entered = [
        name
        for name, part in machine.parts.items()
        if isinstance(part, Automaton | Flow) and part.just_entered
    ]
    if entered:
        found.append(
            "What these parts are at power-on is taken to have begun at that very moment: "
            f"{', '.join(entered)}."
        )
    found += _about_motion(machine)
    spans: list[tuple[str, tuple[int, int]]] = []
    for name, part in machine.parts.items():
        if isinstance(part, Automaton):
            spans += [
                (name, item.takes) for state in part.states.values() for item in state.exits if item.takes
            ]
        else:
            for field in ("takes", "takes_back", "runs_up", "runs_down", "every", "lasts"):
                value = getattr(part, field, None)
                if value:
                    spans.append((name, value))
    widened = sorted({name for name, span in spans if span[0] % tick or span[1] % tick})
    if widened:
        found.append(
            f"Part times that are no whole number of ticks are widened outward: {', '.join(widened)}."
        )
    many = [name for name, part in machine.parts.items() if isinstance(part, Travel) and len(part.stops) > 2]
    if many:
        found.append(f"A travel is seen at each stop for at least one tick: {', '.join(many)}.")
    return found


def _about_motion(machine: Machine) -> list[str]:
    """How parts move where a real one may move otherwise."""
    found = []
    interrupted = [
        name
        for name, part in machine.parts.items()
        if isinstance(part, Automaton)
        and any(item.when and item.takes for state in part.states.values() for item in state.exits)
    ]
    if interrupted:
        found.append(
            "A time for which a condition must be true starts again from 0 when interrupted: "
            f"{', '.join(interrupted)}."
        )
    turned = [name for name, part in machine.parts.items() if isinstance(part, Spin) and part.runs_up[1]]
    if turned:
        found.append(
            "No speed between standstill and full speed is kept: driven again while running down, or let "
            "go while running up, any time up to the longest is possible. That allows more than the real "
            f"part does, so that 'reach' and 'from_anywhere' may hold by it: {', '.join(turned)}."
        )
    return found


def _about_faults(machine: Machine, faults: int) -> list[str]:
    found = []
    if faults:
        found.append(
            "Single faults: each input and each output stuck on or stuck off from any moment on, power-on "
            "included, for good; or power interrupted once for any number of ticks, after which the "
            "controller starts cold while parts, operator and requirements go on."
        )
    else:
        found.append(NO_FAULTS)
    names = [name for name, item in machine.requirements.items() if isinstance(item, Reach | FromAnywhere)]
    if names and faults:
        found.append(f"Judged without faults only, since they ask what is possible: {', '.join(names)}.")
    healthy = [
        name for name, item in machine.requirements.items() if not is_judged(item, faults, possibility=True)
    ]
    if healthy:
        found.append(
            "Judged without faults only, since they name no hazard and the file says 'faults: 0' of them: "
            f"{', '.join(healthy)}."
        )
    return found
