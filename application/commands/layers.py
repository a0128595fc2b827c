"""``stillgate layers``: which of sequences and interlocks carries each hazard requirement."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.answers import write_exit_status
from ..console.terminal import message_console, output_console, write_line
from .check import LIMITS, STATUS
from .options import Format, MachineFile, count_option, effort_option, load_document, tick_option

if TYPE_CHECKING:
    from stillgate.interlocks.results.layer_rows import LayerTable

MEANINGS = {
    0: "each was judged and holds with both layers",
    1: "one is broken with both layers",
    4: "undecided",
}


def layers(
    machine: MachineFile,
    /,
    *,
    tick: str | None = None,
    faults: int = 0,
    form: Format = "text",
    threads: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_memory: Annotated[str | None, Parameter(group=LIMITS)] = None,
    time_limit: Annotated[str | None, Parameter(group=LIMITS)] = None,
) -> int:
    """Say which layer carries each hazard requirement: sequences, interlocks, or both.

    Each requirement that names a hazard is judged with the interlocks
    removed, with every output demanded at will, and as the file has it.

    Exit status: 0 each was judged and holds with both layers, 1 one is broken
    with both, 4 undecided, 2 the file or the command line is at fault, 130
    interrupted.

    Parameters
    ----------
    tick
        Step of the exploration, such as '100 ms', or 'scan'. Left out: the file's, else the scan.
    faults
        0 or 1: how many faults may happen.
    form
        Text for a person, json for a program (stillgate schema --of layers).
    threads
        Threads to explore with. Left out: one a processor.
    max_memory
        Give up a search as undecided beyond so much memory, such as 2GiB.
    time_limit
        Give up as undecided after so long, such as '10 min'; shared among all searches. Left out: 20 s for
        each search but that with both layers.
    """
    effort = effort_option(threads=threads, time_limit=time_limit, max_memory=max_memory)
    document = load_document(machine, effort)
    period = tick_option(tick, document.machine.scan)
    count_option("--faults", faults, 0, 1)

    from stillgate.interlocks.analyses.layer_table import layers as judge_layers
    from stillgate.interlocks.checking.checker import check_within
    from stillgate.interlocks.requirements.monitors import fault_budget

    from ..console.progress import ProgressLine

    with ProgressLine(message_console()) as progress:
        budget = min(faults, fault_budget(document.machine, None))
        result = check_within(document, effort.part(2), tick=period, faults=budget, progress=progress)
        table = judge_layers(
            document,
            result,
            faults=faults,
            effort=effort,
            progress=progress,
        )
    status = _status(table)
    if form == "json":
        from ..reports.analyses.layers import layers_document

        write_line(json.dumps(layers_document(table, str(machine)), indent=2))
    else:
        from ..reports.analyses.layers import write_layers

        write_layers(output_console(), table, str(machine))
        write_exit_status(output_console(), status, MEANINGS)
    return status


def _status(table: LayerTable) -> int:
    from stillgate.interlocks.results.layer_rows import Carrier

    if any(row.carrier is Carrier.NONE for row in table.rows):
        return STATUS["broken"]
    undecided = table.tick_caution or any(row.carrier is Carrier.UNDECIDED for row in table.rows)
    return STATUS["undecided"] if undecided else 0
