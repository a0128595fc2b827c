"""Reads a scenario file with the machine it is about: all independent problems at once, at their places.

The stages are those of the machine file: bytes, nodes with places, models, then the rules here,
which know the machine.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from stillgate.controller.errors import (
    MachineFileError,
    Problem,
    ScenarioFileError,
    Severity,
    TextError,
    render_problem,
)
from stillgate.controller.expressions.durations import format_duration, shorten
from stillgate.controller.expressions.expression import Span
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.machine_file.named_conditions import written_out_in
from stillgate.controller.reading.messages import refusal_of
from stillgate.controller.reading.positions import Positions
from stillgate.controller.reading.reader import (
    MachineDocument,
    at_most,
    bytes_of,
    in_order,
    nodes_of,
    problem_of_finding,
    problems_of,
    read_machine,
)
from stillgate.controller.reading.source import Mapping, Scalar, data_of
from stillgate.controller.rules.findings import Path as Place
from stillgate.controller.rules.findings import RuleFinding, error, expression_findings
from stillgate.controller.rules.namespace import Context, Namespace, nearest_hint

from ..faults.disturbances import Disturbance, contradict, parse_disturbance
from .scenario import DOINGS, WITH_FOR, Scenario, Step, names_of

Found = TypeVar("Found")

SUFFIX = ".scenario.yaml"
"""How the names of scenario files end."""


@dataclass(frozen=True)
class ScenarioDocument:
    """A scenario with the file it came from and the machine it is about."""

    scenario: Scenario
    document: MachineDocument
    path: Path
    positions: Positions | None = field(repr=False, default=None)

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.document.machine

    def line_of(self, step: int) -> int:
        """Line of a step in the file; 0 if the scenario was not read from one."""
        return 0 if self.positions is None else self.positions.place(("steps", step))[0]


def load_scenario(path: str | Path, machine: MachineDocument | None = None) -> ScenarioDocument:
    """Reads a scenario file.

    Args:
        path: the file.
        machine: the machine to use instead of the one that the file names.

    Raises:
        ScenarioFileError: with every independent problem of the scenario file.
        MachineFileError: if the machine file that it names cannot be used.
    """
    path = Path(path)
    return load_scenario_bytes(_reworded(lambda: bytes_of(path)), str(path), machine)


def load_scenario_bytes(
    content: bytes, name: str, machine: MachineDocument | None = None
) -> ScenarioDocument:
    """Reads a scenario from the bytes of a file; ``name`` says where the machine is looked for.

    Raises:
        ScenarioFileError: with every independent problem.
        MachineFileError: if the machine file that it names cannot be used.
    """
    source, positions = _reworded(lambda: nodes_of(content, name))
    problems = [positions.at(offset, message, hint) for offset, message, hint in source.problems]
    lines = positions.text.lines()
    if not isinstance(source.root, Mapping):
        problems.append(positions.problem((), "a scenario file begins with keys", "say 'scenario: a_stop'"))
        raise ScenarioFileError(name, in_order(problems), lines)
    data = data_of(source.root)
    assert isinstance(data, dict)
    scenario: Scenario | None = None
    try:
        scenario = Scenario.model_validate(data, by_name=False, by_alias=True)
    except ValidationError as refused:
        refusals = [refusal_of(item, data, Scenario) for item in refused.errors(include_url=False)]
        problems += problems_of(refusals, positions)
        scenario = _without(data, [item.path for item in refusals])
    machine = machine or _machine_of(data, name, positions, problems)
    if machine is not None and scenario is not None:
        scenario = written_out_in(scenario, machine.machine)
        found = _findings(scenario, machine.machine)
        problems += [problem_of_finding(_pointed(item, positions), positions, machine) for item in found]
    if problems or scenario is None or machine is None:
        raise ScenarioFileError(name, at_most(in_order(problems)), lines)
    return ScenarioDocument(scenario, machine, Path(name), positions)


def _reworded(read: Callable[[], Found]) -> Found:
    """Runs a stage of the reader of machine files and lets it speak of scenarios."""
    try:
        return read()
    except MachineFileError as refused:
        told = [
            replace(
                item,
                message=item.message.replace("machine file", "scenario file"),
                hint=item.hint.replace("machine file", "scenario file")
                .replace("one file holds one machine", "one file holds one scenario")
                .replace(
                    "'stillgate new' writes a starter file", "say 'scenario: a_stop' and 'machine: ...'"
                ),
            )
            for item in refused.problems
        ]
        raise ScenarioFileError(refused.name, told, refused.lines) from None


def _pointed(item: RuleFinding, positions: Positions) -> RuleFinding:
    """A finding about the first of a list that stands there as a single name."""
    single = item.path[-1:] == (0,) and isinstance(positions.find(item.path[:-1]).node, Scalar)
    return replace(item, path=item.path[:-1]) if single else item


def _machine_of(
    data: dict[str, Any], name: str, positions: Positions, problems: list[Problem]
) -> MachineDocument | None:
    """The machine that the file names; that there is none is a problem at its place."""
    said = data.get("machine")
    if not isinstance(said, str) or not said:
        return None
    path = Path(name).parent / said
    try:
        return read_machine(path)
    except MachineFileError as refused:
        if any(item.line for item in refused.problems):
            raise  # the machine file has faults of its own
        first = refused.problems[0]
        # A file that is named instead is to be written here as it is seen from the scenario.
        hint = first.hint.replace(f"'{Path(name).parent}{os.sep}", "'")
        problems.append(positions.problem(("machine",), f"'{shorten(said)}': {first.message}", hint))
        return None


def _without(data: dict[str, Any], paths: list[tuple[str | int, ...]]) -> Scenario | None:
    """The scenario without what was refused, so that further names can be judged; None if nothing fits.

    A step that is wrong loses the key that is, or becomes a step that does nothing.
    """
    kept = dict(data)
    steps = kept.get("steps")
    kept["steps"] = list(steps) if isinstance(steps, list) else []
    for path in paths:
        match path:
            case ("steps", int(number), *_) if number < len(kept.get("steps", [])):
                kept["steps"][number] = None
            case (str(key), *_) if key not in ("scenario", "machine"):
                kept.pop(key, None)
            case _:
                kept |= {"scenario": "unnamed", "machine": str(data.get("machine", ""))}
    kept["steps"] = [{"note": "left out"} if item is None else item for item in kept.get("steps", [])]
    try:
        return Scenario.model_validate(kept, by_name=False, by_alias=True)
    except ValidationError:
        return None


LEFT_OUT = Step.model_validate({"note": "left out"})


# -- rules ---------------------------------------------------------------------------------


def _findings(scenario: Scenario, machine: Machine) -> Iterator[RuleFinding]:
    names = Namespace(machine)
    yield from _about_start(scenario, machine)
    injected = _started(scenario, machine)
    for number, step in enumerate(scenario.steps):
        if step == LEFT_OUT:
            continue
        yield from _about_step(step, ("steps", number), machine, names, injected)
    if scenario.lasts is not None:
        for number, time in enumerate(scenario.times):
            if time > scenario.lasts:
                yield error(
                    ("steps", number), f"the scenario ends at {format_duration(scenario.lasts)}, before this",
                    f"say 'lasts: {format_duration(time + 1000)}'",
                )  # fmt: skip


def _about_start(scenario: Scenario, machine: Machine) -> Iterator[RuleFinding]:
    there: list[Disturbance] = []
    for number, text in enumerate(scenario.disturb):
        found, finding = _disturbance(text, ("disturb", number), machine)
        if finding is not None:
            yield finding
        if found is None:
            continue
        against = next((other for other in there if contradict(found, other)), None)
        if against is not None:
            yield error(("disturb", number), f"'{found}' and '{against}' cannot be there together")
        there.append(found)
    for number, name in enumerate(scenario.watch or ()):
        if name not in machine.requirements:
            hint = nearest_hint(name, machine.requirements)
            yield error(("watch", number), f"there is no requirement '{shorten(name)}'", hint)


def _started(scenario: Scenario, machine: Machine) -> set[Disturbance]:
    """Disturbances that begin somewhere, so that they can end."""
    texts = [*scenario.disturb, *(step.inject for step in scenario.steps if step.inject is not None)]
    found = {_disturbance(text, (), machine)[0] for text in texts}
    return {item for item in found if item is not None}


def _about_step(
    step: Step, path: Place, machine: Machine, names: Namespace, injected: set[Disturbance]
) -> Iterator[RuleFinding]:
    if len(step.doing) != 1:
        yield _not_one_thing(step, path)
        return
    does = step.doing[0]
    if step.within is not None and does != "expect":
        yield error((*path, "within"), f"'within' goes with 'expect', not with '{does}'", at_key=True)
    if step.during is not None and does not in WITH_FOR:
        hint = "say 'within' for the longest wait" if does == "expect" else ""
        yield error((*path, "for"), f"'for' goes with 'press', 'hold' or 'keep', not with '{does}'", hint,
                    at_key=True)  # fmt: skip
    if does == "keep" and step.during is None:
        yield error((*path, "keep"), "'for' is missing here", "say for example 'for: 2 s'", at_key=True)
    yield from _about_inputs(step, path, does, machine)
    for key in ("inject", "clear"):
        text = getattr(step, key)
        if text is None:
            continue
        found, finding = _disturbance(text, (*path, key), machine)
        if finding is not None:
            yield finding
        elif key == "clear" and found not in injected:
            hint = nearest_hint(text, [item.name for item in injected])
            yield error((*path, key), f"'{shorten(text)}' begins nowhere in this file", hint)
    for key in ("expect", "keep"):
        condition = getattr(step, key)
        if condition is not None:
            yield from expression_findings(names, (*path, key), condition, Context.REQUIREMENT)


def _not_one_thing(step: Step, path: Place) -> RuleFinding:
    if not step.doing:
        choices = ", ".join(f"'{word}'" for word in DOINGS[:-1])
        return error(path, "the step does nothing", f"say {choices} or '{DOINGS[-1]}'")
    first, second = step.doing[:2]
    return error(
        (*path, second), f"a step does one thing, this one has '{first}' and '{second}'",
        "write two steps; the second needs no 'at'", at_key=True,
    )  # fmt: skip


def _about_inputs(step: Step, path: Place, does: str, machine: Machine) -> Iterator[RuleFinding]:
    sensed = {signal: part for part, model in machine.parts.items() for signal in model.senses}
    free = [name for name in machine.inputs if name not in sensed]
    for index, name in enumerate(names_of(step)):
        place: Place = (*path, does, name if does == "set" else index)
        at_key = does == "set"
        if name in sensed:
            hint = f"inject a disturbance instead, such as '{name} stuck off'"
            yield error(place, f"'{name}' is moved by the part {sensed[name]}", hint, at_key=at_key)
        elif name in machine.outputs:
            yield error(place, f"'{name}' is an output; a step moves inputs", at_key=at_key)
        elif name not in machine.inputs:
            hint = nearest_hint(name, free)
            yield error(place, f"there is no input '{shorten(name)}'", hint, at_key=at_key)


def _disturbance(text: str, path: Place, machine: Machine) -> tuple[Disturbance | None, RuleFinding | None]:
    try:
        return parse_disturbance(text, machine), None
    except TextError as refused:
        span = Span(refused.start, refused.end)
        return None, RuleFinding(path, refused.message, refused.hint, Severity.ERROR, span)


def render(document: ScenarioDocument, problem: Problem) -> str:
    """A problem with its line and a caret."""
    lines = document.positions.text.lines() if document.positions is not None else ()
    return render_problem(str(document.path), problem, lines)
