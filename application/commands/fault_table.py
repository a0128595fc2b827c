"""``stillgate fault-table``: what each single fault leads to, in all reachable situations."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from ..console.terminal import message_console, output_console, write_line
from .check import INTERRUPTED, LIMITS
from .options import MachineFile, effort_option, load_document, tick_option

if TYPE_CHECKING:
    from stillgate.controller.machine_file.machine import Machine


def fault_table(
    machine: MachineFile,
    /,
    *,
    tick: str | None = None,
    rate: Annotated[list[str] | None, Parameter(negative="")] = None,
    pairs: Annotated[bool, Parameter(negative="")] = False,
    form: Annotated[Literal["text", "json", "csv"], Parameter(name="--format")] = "text",
    threads: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_states: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_memory: Annotated[str | None, Parameter(group=LIMITS)] = None,
    time_limit: Annotated[str | None, Parameter(group=LIMITS)] = None,
) -> int:
    """Say what each single fault leads to: a break, a stop, motion lost, a channel lost.

    Exhaustive: every input and output stuck on and off from any moment on,
    and power interrupted, in every reachable situation. First a matrix of
    signals by stuck on and stuck off, then each fault with what it leads to.

    Exit status: 0 no fault breaks a requirement that must withstand it, 1 one
    does, 4 undecided or a longer tick than the scan, 2 the file or the command
    line is at fault, 130 interrupted.

    Parameters
    ----------
    tick
        Step of the exploration, such as '100 ms', or 'scan'. Left out: the file's, else the scan.
    rate
        Declares a fault to be a dangerous failure, with its rate in any one
        unit, such as 'estop_1 stuck on=0.2'; may be repeated. Of signals with
        such faults the diagnostic coverage (ISO 13849-1) is told, and of no others.
    pairs
        Look at every pair of faults too: which two break what neither breaks
        alone. A search each; a time limit leaves the rest undecided.
    form
        Text for a person, json for a program (stillgate schema --of fault-table),
        csv for a spreadsheet: a line a fault, then a line a pair.
    threads
        Threads to explore with. Left out: one a processor.
    max_states
        Give up as undecided after so many situations.
    max_memory
        Give up as undecided beyond so much memory, such as 2GiB.
    time_limit
        Give up as undecided after so long, such as '10 min'.
    """
    effort = effort_option(
        threads=threads, time_limit=time_limit, max_states=max_states, max_memory=max_memory
    )
    document = load_document(machine, effort)
    period = tick_option(tick, document.machine.scan)
    rates = rates_option(document.machine, rate)

    from stillgate.interlocks.analyses.fault_table import fault_table_of as make_table
    from stillgate.interlocks.results.fault_table_rows import FaultOutcome

    from ..console.progress import ProgressLine

    with ProgressLine(message_console()) as progress:
        table = make_table(
            document,
            tick=period,
            rates=rates,
            effort=effort,
            progress=progress,
            pairs=pairs,
            pairs_progress=lambda done, count: progress.say(f"{done} of {count} pairs judged"),
            on_slow_build=lambda: progress.say("the C compiler builds parts of its own, once"),
        )
    if form == "json":
        from ..reports.analyses.fault_table import fault_table_document

        write_line(json.dumps(fault_table_document(table, str(machine)), indent=2))
    elif form == "csv":
        from stillgate.diagrams.matrices.table import table_csv

        from ..reports.evidence_report.faults import fault_rows_table

        write_line(table_csv(fault_rows_table(table)).decode("utf-8-sig").replace("\r\n", "\n").rstrip("\n"))
    else:
        from ..reports.analyses.fault_table import write_fault_table

        write_fault_table(output_console(), table, str(machine))
    if table.exploration.stopped_by == "interrupt":
        return INTERRUPTED
    if any(item.counts for row in table.rows for item in row.breaks):
        return 1
    undecided = table.pairs_undecided or any(row.outcome is FaultOutcome.UNDECIDED for row in table.rows)
    return 4 if undecided or table.tick_caution else 0


def rates_option(machine: Machine, texts: list[str] | None) -> dict[str, float]:
    """Failure rates as ``--rate`` gives them, by fault.

    Raises:
        UsageError: for a fault that is not there, or a rate that is no number.
    """
    from stillgate.controller.errors import UsageError
    from stillgate.controller.rules.namespace import nearest_hint
    from stillgate.sim_io.faults.fault_list import faults_of

    names = [item.name for item in faults_of(machine)]
    rates: dict[str, float] = {}
    for text in texts or ():
        name, _, number = (part.strip() for part in text.partition("="))
        if name not in names:
            hint = nearest_hint(name, names)
            raise UsageError(f"--rate: there is no fault '{name}'{f'; {hint}' if hint else ''}")
        try:
            rates[name] = float(number)
        except ValueError:
            raise UsageError(f"--rate: '{text}' gives no rate; write one like '{name}=0.2'") from None
        if not 0 <= rates[name] < float("inf"):
            raise UsageError(f"--rate: {number} is not a rate; it is 0 or more")
    return rates
