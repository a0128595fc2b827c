"""``stillgate confirm``: a second opinion on every requirement, by proofs instead of exploration."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.answers import write_exit_status
from ..console.terminal import message_console, output_console, write_line
from .options import Format, MachineFile, count_option, effort_option, tick_option

if TYPE_CHECKING:
    from stillgate.controller.machine_file.machine import Machine
    from stillgate.interlocks.analyses.cross_check import CrossCheck

BROKEN, CONTRADICTION, UNDECIDED, INTERRUPTED = 1, 3, 4, 130
MEANINGS = {
    0: "all hold and nothing contradicts",
    BROKEN: "something is broken",
    CONTRADICTION: "the two methods contradict each other",
    UNDECIDED: "undecided",
}


def confirm(
    machine: MachineFile,
    /,
    *,
    tick: str | None = None,
    faults: int | None = None,
    requirement: Annotated[list[str] | None, Parameter(negative="")] = None,
    time_limit: str = "10 min",
    compare: bool = True,
    form: Format = "text",
) -> int:
    """Ask for a second opinion: prove or refute every requirement by another method.

    stillgate check lists every reachable situation. This proves the same
    requirements with z3, a solver, from the same machine file and without
    listing anything, and says whether the two agree. What a proof says is
    checked again, what is found broken is replayed. Both methods share the
    assumptions that stillgate check prints.

    Exit status: 0 all hold and nothing contradicts, 1 something is broken,
    3 the two methods contradict each other, 4 undecided, 2 the file or the
    command line is at fault or z3 is missing, 130 interrupted.

    Parameters
    ----------
    tick
        Step of the proofs, such as '100 ms', or 'scan' for the controller's own. Left out: the file's,
        else the scan.
    faults
        0 or 1: how many faults may happen. Left out: the file's.
    requirement
        Name of a requirement to ask about; may be repeated. Left out: all.
    time_limit
        What is not proved after so long is undecided, such as '10 min'; exploration and each
        requirement get their share of it.
    compare
        Explore as well, or use the kept result of stillgate check, and compare.
    form
        Text for a person, json for a program (stillgate schema --of confirm).
    """
    from stillgate.controller.reading.reader import read_machine

    effort = effort_option(time_limit=time_limit)
    document = read_machine(machine, effort)
    period = tick_option(tick, document.machine.scan)
    budget = count_option("--faults", faults, 0, 1)
    only = _named(document.machine, requirement)

    from stillgate.interlocks.analyses.cross_check import cross_checked
    from stillgate.interlocks.proofs.solver import solver_name

    solver_name()  # a missing solver is told before anything takes time

    from stillgate.interlocks.checking.checker import check_within

    from ..console.progress import ProgressLine

    with ProgressLine(message_console()) as progress:
        explored = None
        if compare:
            explored = check_within(document, effort.part(2), tick=period, faults=budget, progress=progress)
        result = cross_checked(
            document,
            tick=period,
            faults=budget,
            effort=effort,
            only=only,
            explored=explored,
            tell=progress.say,
        )
    status = status_of(result)
    _write(result, str(machine), form, status)
    return status


def _named(machine: Machine, names: list[str] | None) -> frozenset[str] | None:
    """Raises: UsageError: for a requirement that the machine does not have."""
    from stillgate.controller.errors import UsageError
    from stillgate.controller.rules.namespace import nearest_hint

    for name in names or ():
        if name not in machine.requirements:
            hint = nearest_hint(name, list(machine.requirements))
            raise UsageError(f"--requirement: there is no '{name}'{f'; {hint}' if hint else ''}")
    return None if names is None else frozenset(names)


def status_of(result: CrossCheck) -> int:
    """Exit status of a second opinion: a contradiction outranks everything."""
    from stillgate.interlocks.results.verdict import Word

    if result.disagreements:
        return CONTRADICTION
    if result.interrupted:
        return INTERRUPTED
    counted = [item for item in result.opinions if item.counts]
    if any(item.verdict is Word.BROKEN for item in counted):
        return BROKEN
    return (
        0 if result.tick == result.scan and all(item.verdict is Word.HOLDS for item in counted) else UNDECIDED
    )


def _write(result: CrossCheck, file: str, form: str, status: int) -> None:
    if form == "json":
        from ..reports.analyses.cross_check import cross_check_document

        write_line(json.dumps(cross_check_document(result, file), indent=2))
        return
    from ..reports.analyses.cross_check import write_cross_check

    write_cross_check(output_console(), result, file)
    write_exit_status(output_console(), status, MEANINGS)
