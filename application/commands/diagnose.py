"""``stillgate diagnose``: which single fault explains a log, and what to test next."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.terminal import output_console, write_line
from ..files.log_files import (
    ColumnPairs,
    Dbc,
    LogFile,
    MapFile,
    open_log_file,
    progress_line,
    require_values,
    tell_trouble,
)
from .options import Format, MachineFile

if TYPE_CHECKING:
    from stillgate.controller.machine_file.machine import Machine
    from stillgate.sim_io.faults.disturbances import Disturbance

EXPLAINED, UNEXPLAINED, UNDECIDED = 0, 1, 4


def diagnose(
    machine: MachineFile,
    log_file: LogFile,
    /,
    *,
    layout: MapFile = None,
    column: ColumnPairs = None,
    dbc: Dbc = None,
    known: Annotated[list[str] | None, Parameter(name="--with", negative="")] = None,
    power_off_is_normal: Annotated[bool, Parameter(negative="")] = False,
    every: Annotated[bool, Parameter(name="--all", negative="")] = False,
    form: Format = "text",
) -> int:
    """Find the single fault that explains a log.

    Every single fault of the machine file, every contact as intermittent, and
    'nothing wrong' are followed through the log, each with the exact set of
    situations that agree with it; what cannot have shown the log is ruled out.

      stillgate diagnose press.yaml press.log

    Exit status: 0 something explains the log, 1 none of the modelled faults
    does, 4 a hypothesis could not be followed to the end, or the log leaves
    open whether anything is wrong, 2 a file or the command line is at fault,
    130 interrupted.

    Parameters
    ----------
    known
        A disturbance that is no fault here, such as 'bunch_hung bounces 20 ms'; may be repeated.
    power_off_is_normal
        The machine was switched off and on while the log ran; that is not the fault.
    every
        List all survivors and all reasons.
    form
        Text for a person, json for a program (stillgate schema --of diagnose).
    """
    from stillgate.controller.expressions.durations import format_moment
    from stillgate.controller.reading.reader import read_machine
    from stillgate.interlocks.diagnosis.diagnosability import inseparable_faults_of
    from stillgate.interlocks.diagnosis.diagnosis import diagnose as diagnose_log
    from stillgate.interlocks.diagnosis.test_selection import next_tests

    from ..reports.runs.diagnosis_report import diagnosis_document, write_diagnosis

    document = read_machine(machine)
    disturbances = known_option(document.machine, known)
    with progress_line() as progress:
        log = open_log_file(document, log_file, layout=layout, columns=column, dbc=dbc, progress=progress)
        require_values(log, log_file)
        scan = document.machine.scan
        found, tracking, run = diagnose_log(
            log,
            document.machine,
            known=disturbances,
            power_off_is_normal=power_off_is_normal,
            progress=lambda scans: progress.say(f"followed to {format_moment(scans * scan)}"),
        )
        progress.say("trying what to test next")
        tests = next_tests(found, tracking, run) if tracking is not None else ()
        alike = inseparable_faults_of(found, tracking, run.controller.program) if tracking is not None else ()
    tell_trouble(log, log_file)
    if form == "json":
        write_line(json.dumps(diagnosis_document(found, tests, alike, str(log_file)), indent=2))
    else:
        write_diagnosis(output_console(), found, tests, alike, log=str(log_file), everything=every)
    if not found.survivors:
        return UNEXPLAINED
    return EXPLAINED if found.decided else UNDECIDED


def known_option(machine: Machine, lines: list[str] | None) -> tuple[Disturbance, ...]:
    """The disturbances that ``--with`` names.

    Raises:
        UsageError: for one that cannot be meant, that contradicts another, or that is not about
            a switch or a valve.
    """
    from stillgate.controller.errors import TextError, UsageError
    from stillgate.sim_io.faults.disturbances import parse_disturbances

    try:
        found = parse_disturbances(lines or [], machine)
    except TextError as error:
        raise UsageError(f"--with: {error.message}{f'; {error.hint}' if error.hint else ''}") from None
    for item in found:
        if len(item.subjects) != 1:
            raise UsageError(f"--with: '{item}' is not about one switch or valve")
    return found
