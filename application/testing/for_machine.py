"""``machine_rules``: the state machine of Hypothesis for a machine, put together from what is read of it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from stillgate.controller.errors import StillgateError, TextError, UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument, read_machine
from stillgate.controller.rules.namespace import nearest_hint
from stillgate.interlocks.requirements.monitors import fault_budget
from stillgate.interlocks.simulated_runs.requirement_watch import watched
from stillgate.sim_io.faults.disturbances import parse_disturbance

from .connections import Connections
from .failing_runs import FailingRuns
from .fast_simulation import LoweredMachine
from .fault_timing import suspects_of
from .input_guidance import Guide
from .rules import MachineRules


def machine_rules(
    machine: str | Path | MachineDocument,
    *,
    faults: int | None = None,
    requirements: Iterable[str] | None = None,
    switch_faults: Iterable[str] = (),
    found_in: str | Path = "found",
) -> type[MachineRules]:
    """A state machine of Hypothesis for a machine.

    Args:
        machine: a machine file, or a machine as read. Of one that was changed after reading, by
            ``dataclasses.replace(document, machine=...)``, no scenario is saved, since no file
            says what was run.
        faults: how many faults may happen in a run, 0 or 1; default the file's.
        requirements: names of those to judge; default all that one run can break.
        switch_faults: disturbances that may be there besides, from the start, three at most in
            a run, such as ``start bounces 10 ms``. A check does not explore them.
        found_in: folder for scenarios of failing runs, made when it is needed.

    Raises:
        MachineFileError: if the file cannot be used.
        TextError: if a disturbance cannot be read.
        UsageError: if a run cannot have so many faults, or cannot break one of the requirements, or
            an argument is something else altogether.
    """
    __tracebackhide__ = True  # for pytest: it shows the line of the user's own test
    try:
        document = read_machine(machine) if isinstance(machine, str | Path) else machine
        if not isinstance(document, MachineDocument):
            wrong = type(document).__name__
            raise UsageError(f"machine is a {wrong}; give a path, or what read_machine gave")
        for option, found in (("requirements", requirements), ("switch_faults", switch_faults)):
            if isinstance(found, str):
                raise UsageError(f"{option} is one text; write a list: {option}=['{found}']")
        budget = fault_budget(document.machine, faults)
        return _rules(document, budget, requirements, tuple(switch_faults), Path(found_in))
    except StillgateError as error:
        if isinstance(error, TextError) and error.hint:
            error.add_note(error.hint)
        raise error.with_traceback(None) from None


def _rules(
    document: MachineDocument,
    budget: int,
    requirements: Iterable[str] | None,
    switch_faults: tuple[str, ...],
    found_in: Path,
) -> type[MachineRules]:
    machine = document.machine
    if budget not in (0, 1):
        raise UsageError(f"faults is {budget!r}; it goes from 0 to 1")
    judged = None if requirements is None else tuple(requirements)
    for name in judged or ():
        _demand_breakable(machine, name)
    lowered = LoweredMachine(machine, judged)
    connections = Connections(machine)
    fields = {
        "connections": connections,
        "suspects": suspects_of(machine, connections, judged),
        "document": document,
        "lowered": lowered,
        "guide": Guide(machine, lowered.program, lowered.lowered(()).free),
        "budget": budget,
        "switch_faults": tuple(parse_disturbance(text, machine) for text in switch_faults),
        "file": Path(document.path) if document.as_read else None,
        "found": FailingRuns(found_in),
        "__doc__": f"Rules of the machine {machine.machine}.",
        "__module__": __name__,
    }
    return type(f"{_title(machine.machine)}Rules", (MachineRules,), fields)


def _demand_breakable(machine: Machine, name: str) -> None:
    possible = watched(machine)
    if name not in possible:
        known = name in machine.requirements
        wrong = "is about all runs and cannot be broken by one" if known else "is no requirement"
        raise UsageError(f"{name} {wrong}; {nearest_hint(name, possible)}")


def _title(name: str) -> str:
    return "".join(word.title() for word in name.split("_"))
