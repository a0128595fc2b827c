"""``stillgate report``: the evidence for a reviewer in one file that needs nothing else."""

from __future__ import annotations

import datetime
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Group, Parameter

from ..console.terminal import message_console, write_line
from .options import (
    OUTPUT,
    MachineFile,
    count_option,
    effort_option,
    files_by_ending,
    load_document,
    tick_option,
)

if TYPE_CHECKING:
    from stillgate.controller.effort import Effort
    from stillgate.interlocks.results.verdict import CheckResult

Left = Literal["fault-table", "layers", "strength"]

PAGE, PRINTED = "the page", "the printed page"
ENDINGS = {".html": PAGE, ".htm": PAGE, ".pdf": PRINTED}

LIMITS = Group("Limits")


def report(
    machine: MachineFile,
    /,
    *,
    output: Annotated[list[Path] | None, OUTPUT] = None,
    date: str | None = None,
    tick: str | None = None,
    faults: int | None = None,
    leave_out: Annotated[list[Left] | None, Parameter(negative="")] = None,
    second_opinion: Annotated[bool, Parameter(negative="")] = False,
    pairs: Annotated[bool, Parameter(negative="")] = False,
    threads: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_states: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_memory: Annotated[str | None, Parameter(group=LIMITS)] = None,
    time_limit: Annotated[str | None, Parameter(group=LIMITS)] = None,
    cache: Annotated[bool, Parameter(group=LIMITS)] = True,
) -> int:
    """Check a machine and write everything a reviewer needs into one HTML file.

    Verdicts and the story of each break with its timing chart, open points,
    assumptions, what each fault leads to, which layer carries what, what the
    requirements notice, state diagrams, cause and effect, interlocks, inputs
    and outputs. The file holds all it needs and loads nothing from anywhere.

    Exit status as of check: 0 all hold, 1 something is broken, 4 undecided, 130
    interrupted; 3 if the prover contradicts. The report is written in every case,
    but for an interrupt that leaves no time for it.

    Parameters
    ----------
    output
        What to write; may be repeated. Its ending says what: .html for the page (left out: the machine file's
        name with .report.html, in the present folder), .pdf for the page as printed by Chromium or Chrome if
        one is found; a name without an ending is a folder for every table as comma-separated values, made if
        it is not there.
    date
        Date on the title page, such as 2026-03-31. Left out: today. All else depends on the file alone.
    tick
        Step of the exploration, such as '100 ms', or 'scan' for the controller's own. Left out: the file's,
        else the scan.
    faults
        0 or 1: how many faults may happen. Left out: the file's.
    leave_out
        A part that is not to be computed; may be repeated. It is named among the open points.
    second_opinion
        Ask a prover too whether the requirements hold; may take minutes, needs z3.
    pairs
        Look at every pair of faults too, in the fault table: a search for each, long for a large machine.
    threads
        Threads to explore with. Left out: one a processor.
    max_states
        Give up as undecided after so many situations.
    max_memory
        Give up as undecided beyond so much memory, such as 2GiB.
    time_limit
        Give up as undecided after so long, such as '10 min'; shared among check and further parts.
    cache
        Use and keep the result of the same check of the same file.
    """
    from stillgate.controller.errors import UsageError
    from stillgate.diagrams.graphs.renderer import find_renderer
    from stillgate.diagrams.matrices.table import table_csv
    from stillgate.diagrams.pages.report_page import render_page, require_templates

    from ..files.whole_files import refuse_bad_folder, refuse_bad_places, write_whole
    from ..reports.evidence_report.report import Evidence, evidence_page, tables_of
    from ..reports.evidence_report.runs import further_work, parts_of
    from .check import INTERRUPTED, status_of
    from .confirm import CONTRADICTION

    if pairs and "fault-table" in (leave_out or ()):
        raise UsageError("--pairs fills the fault table, which --leave-out fault-table leaves out: give one")
    effort = effort_option(
        threads=threads, time_limit=time_limit, max_states=max_states, max_memory=max_memory
    )
    document = load_document(machine, effort)
    shown_date = _date(date)
    folders = [path for path in output or () if not path.suffix]
    files = files_by_ending([path for path in output or () if path.suffix], ENDINGS)
    if len(folders) > 1:
        raise UsageError(f"--output: '{folders[0]}' and '{folders[1]}' are folders of tables; give one")
    csv, pdf = next(iter(folders), None), files.get(PRINTED)
    target = files.get(PAGE, Path(f"{machine.stem}.report.html"))
    refuse_bad_places(machine, ("--output", target), ("--output", pdf))
    refuse_bad_folder("--output", csv)
    require_templates()
    renderer = find_renderer()
    if second_opinion:
        from stillgate.interlocks.proofs.solver import solver_name

        solver_name()  # what is missing is told before anything takes time
    period = tick_option(tick, document.machine.scan)
    layers = "layers" not in (leave_out or ())
    from stillgate.interlocks.checking.checker import check_within
    from stillgate.interlocks.requirements.monitors import fault_budget

    from ..console.progress import ProgressLine

    with ProgressLine(message_console()) as progress:
        budget = count_option("--faults", faults, 0, 1)
        further = parts_of(
            fault_budget(document.machine, budget),
            leave_out or (),
            cross_check=second_opinion,
        )
        result: CheckResult = check_within(
            document,
            effort.part(1 + further),
            tick=period,
            faults=budget,
            progress=progress,
            use_cache=cache,
            on_slow_build=lambda: progress.say("the C compiler builds parts of its own, once"),
        )
        work = further_work(
            document,
            result,
            leave_out=leave_out or (),
            cross_check=second_opinion,
            pairs=pairs,
            effort=effort,
            tell=progress.say,
        )
        progress.say("writing the report")
        page = evidence_page(
            Evidence(
                document=document,
                result=result,
                renderer=renderer,
                date=shown_date,
                compiler=compiler_words(),
                limits=_limit_words(effort, max_memory, time_limit, layers),
                layers=work.layers,
                extra=tuple(work.sections),
                points=tuple(work.points),
                not_run=tuple(work.not_run),
                pairs=work.pairs,
            )
        )
        html = render_page(page).encode()
    write_whole(target, html)
    write_line(str(target))
    if csv is not None:
        csv.mkdir(parents=True, exist_ok=True)
        for table in (*tables_of(page), *work.tables):
            write_whole(csv / f"{table.name}.csv", table_csv(table))
            write_line(str(csv / f"{table.name}.csv"))
    if pdf is not None:
        from stillgate.diagrams.pages.pdf import print_page

        write_whole(pdf, print_page(html))
        write_line(str(pdf))
    if work.contradicted:
        return CONTRADICTION
    return INTERRUPTED if work.interrupted else status_of(result)


def _limit_words(effort: Effort, memory: str | None, time: str | None, layers: bool) -> tuple[str, ...]:
    """Every cap of the work in words, those that nobody asked for included."""
    from stillgate.controller.effort import DEFAULT_BYTES
    from stillgate.interlocks.analyses.layer_table import PATIENCE

    said = [f"most situations of a search {effort.states}"] if effort.states else []
    said.append(f"most memory {memory or f'{DEFAULT_BYTES >> 30} GiB (default)'}")
    if time:
        said.append(f"time limit {time}, shared among check and further parts")
    elif layers:
        said.append(f"{PATIENCE:g} s for each search of the layers (default)")
    return tuple(said)


def _date(text: str | None) -> str:
    """The date on the title page.

    Raises:
        UsageError: if it is none.
    """
    from stillgate.controller.errors import UsageError

    if text is None:
        return datetime.date.today().isoformat()
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        raise UsageError(f"--date: '{text}' is not a date; write one like 2026-03-31") from None


def compiler_words() -> str:
    """First line of what the C compiler says of itself."""
    from stillgate.controller.c.toolchain import find_compiler

    compiler = find_compiler()
    try:
        done = subprocess.run(
            [*compiler.command, "--version"], capture_output=True, text=True, timeout=60, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return compiler.identity
    return next(iter(done.stdout.splitlines()), compiler.identity)
