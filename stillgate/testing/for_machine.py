"""``machine_rules``: the state machine of Hypothesis for a machine, put together from what is read of it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from stillgate.controller.reader import MachineDocument, read_machine
from stillgate.sim_io.disturbances import parse_disturbance

from .connections import Connections
from .failing import suspects_of
from .guide import Guide
from .lowered_run import LoweredMachine
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
    """
    document = read_machine(machine) if isinstance(machine, str | Path) else machine
    judged = None if requirements is None else tuple(requirements)
    lowered = LoweredMachine(document.machine, judged)
    connections = Connections(document.machine)
    fields = {
        "connections": connections,
        "suspects": suspects_of(document.machine, connections, judged),
        "document": document,
        "lowered": lowered,
        "guide": Guide(document.machine, lowered.program, lowered.lowered(()).free),
        "budget": document.machine.check.faults if faults is None else faults,
        "switch_faults": tuple(parse_disturbance(text, document.machine) for text in switch_faults),
        "file": Path(document.path) if document.as_read else None,
        "found_in": Path(found_in),
        "__doc__": f"Rules of the machine {document.machine.machine}.",
        "__module__": __name__,
    }
    return type(f"{_title(document.machine.machine)}Rules", (MachineRules,), fields)


def _title(name: str) -> str:
    return "".join(word.title() for word in name.split("_"))
