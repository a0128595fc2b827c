"""``stillgate check``: which requirements hold in every reachable situation, and how the others break."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Group, Parameter

from ..console.answers import write_exit_status
from ..console.terminal import message_console, output_console, write_line
from .options import OUTPUT, Format, MachineFile, count_option, effort_option, files_by_ending, tick_option

if TYPE_CHECKING:
    from stillgate.interlocks.results.verdict import CheckResult

INTERRUPTED = 130
STATUS = {"holds": 0, "broken": 1, "undecided": 4}
MEANINGS = {0: "all that must hold does", 1: "something is broken", 4: "undecided"}

SARIF, JUNIT = "SARIF", "JUnit XML"
ENDINGS = {".sarif": SARIF, ".sarif.json": SARIF, ".xml": JUNIT}

LIMITS = Group("Limits")


def check(
    machine: MachineFile,
    /,
    *,
    tick: str | None = None,
    faults: int | None = None,
    overlaps: bool = False,
    everything: Annotated[bool, Parameter(name="--all", negative="")] = False,
    by: Literal["least", "situations", "sets", "both"] = "least",
    form: Format = "text",
    output: Annotated[list[Path] | None, OUTPUT] = None,
    threads: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_states: Annotated[int | None, Parameter(group=LIMITS)] = None,
    max_memory: Annotated[str | None, Parameter(group=LIMITS)] = None,
    time_limit: Annotated[str | None, Parameter(group=LIMITS)] = None,
    cache: Annotated[bool, Parameter(group=LIMITS)] = True,
) -> int:
    """Check every requirement in every reachable situation of a machine.

    Prints the answer, a row for each of up to twenty requirements, the assumptions, whatever else was
    noticed, a row for each hazard, what is left to judge, and for each break that counts the shortest story
    of how it comes about; then the answer again. What cannot affect a requirement does not make its verdict
    dearer; on a terminal verdicts appear as soon as they are there.

    Exit status: 0 all hold, 1 something is broken, 4 undecided (so is all that
    does not break at a longer tick than the scan), 2 the file or the command
    line is at fault, 130 interrupted, 143 terminated.

    Parameters
    ----------
    tick
        Step of the exploration, such as '100 ms', or 'scan' for the controller's own. Left out: the file's
        'check: tick', else the scan. Only at the scan does a requirement hold.
    faults
        0 or 1: how many faults may happen. Left out: the file's.
    overlaps
        Look also for exits of a state that are true in the same scan, so that their order decides.
    everything
        Print a row for each requirement and every name, however many there are, and the stories of breaks
        that need not hold.
    by
        What is searched: what takes least, every situation by itself, sets of times, or both, each of which
        then judges the other; a contradiction is a fault of the program.
    form
        Text for a person, json for a program (stillgate schema --of check).
    output
        File to write besides; may be repeated. Its ending says what: .sarif for SARIF 2.1.0, for editors and
        code hosts (what is broken or odd, at its line of the file), .xml for JUnit XML, for build servers
        (one test a requirement).
    threads
        Threads to explore with. Left out: one a processor.
    max_states
        Give up as undecided after so many situations.
    max_memory
        Give up as undecided beyond so much memory, such as 2GiB.
    time_limit
        Give up as undecided after so long, such as '10 min'.
    cache
        Use and keep the result of the same check of the same file.
    """
    period = tick_option(tick, 0)
    budget = count_option("--faults", faults, 0, 1)
    effort = effort_option(
        threads=threads, time_limit=time_limit, max_states=max_states, max_memory=max_memory
    )

    files = files_by_ending(output, ENDINGS)
    if files:
        from ..files.whole_files import refuse_bad_places

        refuse_bad_places(machine, *(("--output", path) for path in files.values()))

    result = _kept(machine, period, budget, overlaps) if cache and by == "least" else None
    if result is None:
        from stillgate.controller.reading.reader import read_machine
        from stillgate.interlocks.checking.checker import check_within
        from stillgate.interlocks.checking.search_plan import By

        from ..console.progress import ProgressLine

        document = read_machine(machine, effort)
        with ProgressLine(message_console()) as progress:
            result = check_within(
                document,
                effort,
                tick=period,
                faults=budget,
                progress=progress,
                use_cache=cache,
                overlaps=overlaps,
                on_slow_build=lambda: progress.say("the C compiler builds parts of its own, once"),
                on_decided=progress.decided,
                by=By(by),
            )
    _write(result, str(machine), form, everything=everything)
    _write_files(result, str(machine), files)
    return status_of(result)


def _kept(file: Path, tick: int | None, faults: int | None, overlaps: bool) -> CheckResult | None:
    """The kept result of a file that need not be read then; what is wrong with a file, its reader says."""
    from stillgate.interlocks.checking.result_cache import kept_result

    from ..files.wait_for_save import content_of

    content = content_of(file)
    return (
        None if content is None else kept_result(content, file, tick=tick, faults=faults, overlaps=overlaps)
    )


def status_of(result: CheckResult) -> int:
    """Exit status of a check."""
    if any(item.stopped_by == "interrupt" for item in result.exploration):
        return INTERRUPTED
    return STATUS[result.verdict.value]


def _write_files(result: CheckResult, file: str, files: Mapping[str, Path]) -> None:
    from ..files.whole_files import write_whole

    if SARIF in files:
        from ..reports.exchange.sarif import sarif_document

        write_whole(files[SARIF], (json.dumps(sarif_document(result, file), indent=2) + "\n").encode())
    if JUNIT in files:
        from ..reports.exchange.junit import junit_xml

        write_whole(files[JUNIT], junit_xml(result, file))


def _write(result: CheckResult, file: str, form: str, *, everything: bool) -> None:
    if form == "json":
        from ..reports.check.check_json import check_document

        write_line(json.dumps(check_document(result, file), indent=2))
        return
    from ..reports.check.check_text import write_check

    write_check(output_console(), result, file, everything=everything)
    write_exit_status(output_console(), status_of(result), MEANINGS)
