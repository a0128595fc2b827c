"""``stillgate log``: what is in a log, what is wrong with it, and the same log in another form."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

from ..console.terminal import output_console, write_line
from ..files.log_files import ColumnPairs, Dbc, LogFile, MapFile, open_log_file, progress_line
from ..files.whole_files import refuse_bad_places
from .options import OUTPUT, Format, MachineFile


def log(
    machine: MachineFile,
    log_file: LogFile,
    /,
    *,
    layout: MapFile = None,
    column: ColumnPairs = None,
    dbc: Dbc = None,
    output: Annotated[list[Path] | None, OUTPUT] = None,
    form: Format = "text",
) -> int:
    """Say what is in a log, and what is wrong with it; write it in another form.

    Reads the recorder's own log, CSV, Parquet, and CAN logs (candump text,
    ASC, BLF). Whatever cannot be read is skipped, counted and quoted with its
    line. What leaves more than one reading open is an error that names what
    decides; a foreign log is laid out in a column map.

      stillgate log press.yaml press.log --output press.vcd

    Exit status: 0 the log was read, whatever is wrong in it; 2 it cannot be,
    or the command line is at fault, 130 interrupted.

    Parameters
    ----------
    output
        File to write the log to, as .csv, .parquet or .vcd; may be repeated.
    form
        Text for a person, json for a program (stillgate schema --of log).
    """
    from stillgate.controller.errors import UsageError
    from stillgate.controller.reading.reader import read_machine
    from stillgate.sim_io.logs.writers.traces import require_traceable, trace_writer, write_trace

    from ..reports.runs.log_summary import summarise, summary_document, write_summary

    document = read_machine(machine)
    for target in output or []:
        trace_writer(target)  # a wrong suffix is told before the work
        if target.resolve() == log_file.resolve():
            raise UsageError(f"--output: '{target}' is the log itself; give another name")
    refuse_bad_places(machine, *(("--output", target) for target in output or []))
    with progress_line() as progress:
        found = open_log_file(document, log_file, layout=layout, columns=column, dbc=dbc, progress=progress)
        for target in output or []:
            require_traceable(found, target)
        summary = summarise(found)
        for target in output or []:
            progress.say(f"writing {target.name}")
            write_trace(found, target)
    if form == "json":
        write_line(json.dumps(summary_document(summary, str(log_file)), indent=2))
    else:
        write_summary(output_console(), summary, str(log_file))
        for target in output or []:
            write_line(f"written: {target}")
    return 0
