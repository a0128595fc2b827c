"""``stillgate compare``: two versions of a machine file, in words, verdicts and outputs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.answers import write_exit_status
from ..console.terminal import message_console, output_console, write_line
from .check import INTERRUPTED, LIMITS, status_of
from .options import Format, count_option, effort_option, load_document, tick_option

if TYPE_CHECKING:
    from stillgate.controller.effort import Effort
    from stillgate.controller.reading.reader import MachineDocument
    from stillgate.interlocks.results.comparison import Comparison
    from stillgate.interlocks.results.verdict import CheckResult


MEANINGS = {0: "outputs and verdicts are the same", 1: "outputs or verdicts differ", 4: "undecided"}


def compare(
    old: Annotated[Path, Parameter(help="The old machine file (YAML).")],
    new: Annotated[Path, Parameter(help="The new machine file (YAML).")],
    /,
    *,
    tick: str | None = None,
    faults: int | None = None,
    form: Format = "text",
    threads: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_states: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_memory: Annotated[str | None, Parameter(group=LIMITS)] = None,
    time_limit: Annotated[str | None, Parameter(group=LIMITS)] = None,
) -> int:
    """Compare two versions of a machine file: what changed, which verdicts, do outputs differ.

    Both controllers run at the same switches. Either a shortest way to a
    difference between their outputs is told, or that there is none.

    Exit status: 0 outputs and verdicts are the same, 1 they differ, 4
    undecided, 2 a file or the command line is at fault, 130 interrupted. A
    verdict that a limit or a longer tick than the scan kept from being found is
    undecided, not different.

    Parameters
    ----------
    tick
        Step of the comparison, such as '100 ms', or 'scan'. Left out: the old file's, else the scan.
    faults
        0 or 1: under how many faults the verdicts are compared. Left out: the files'.
    form
        Text for a person, json for a program (stillgate schema --of compare).
    threads
        Threads to explore with. Left out: one a processor.
    max_states
        Give up as undecided after so many situations.
    max_memory
        Give up as undecided beyond so much memory, such as 2GiB.
    time_limit
        Give up as undecided after so long, such as '10 min'; shared among the three searches.
    """
    effort = effort_option(
        threads=threads, time_limit=time_limit, max_states=max_states, max_memory=max_memory
    )
    before, after = load_document(old, effort), load_document(new, effort)
    period = tick_option(tick, before.machine.scan)
    budget = count_option("--faults", faults, 0, 1)

    from stillgate.interlocks.analyses.version_diff import compare as compare_files
    from stillgate.interlocks.checking.checker import check_within

    from ..console.progress import ProgressLine

    with ProgressLine(message_console()) as progress:

        def verdicts_of(document: MachineDocument, given: Effort) -> CheckResult:
            found = check_within(document, given, tick=period, faults=budget, progress=progress)
            if status_of(found) == INTERRUPTED:
                raise KeyboardInterrupt  # half a comparison would read as a whole one
            return found

        one = verdicts_of(before, effort.part(3))
        other = verdicts_of(after, effort.part(2))
        result = compare_files(
            before,
            after,
            (one, other),
            tick=period,
            effort=effort,
            progress=progress,
        )
    status = _status(result)
    if form == "json":
        from ..reports.analyses.comparison import comparison_document

        write_line(json.dumps(comparison_document(result), indent=2))
    else:
        from ..reports.analyses.comparison import write_comparison

        write_comparison(output_console(), result)
        write_exit_status(output_console(), status, MEANINGS)
    return status


def _status(result: Comparison) -> int:
    """Exit status of a comparison."""
    from ..reports.analyses.comparison import differs

    if result.exploration is not None and result.exploration.stopped_by == "interrupt":
        return INTERRUPTED
    return {True: 1, False: 0, None: 4}[differs(result)]
