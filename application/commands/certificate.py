"""``stillgate certificate``: a file that shows what holds, to be checked again by somebody else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from ..console.terminal import message_console, write_line
from .options import OUTPUT, MachineFile, count_option, effort_option, tick_option

if TYPE_CHECKING:
    from stillgate.controller.effort import Effort
    from stillgate.controller.reading.reader import MachineDocument
    from stillgate.interlocks.certificates.certificate_file import Certificate

    from ..console.progress import ProgressLine


def certificate(
    machine: MachineFile,
    /,
    *,
    output: Annotated[Path, OUTPUT],
    by: Literal["states", "invariant"] = "states",
    tick: str | None = None,
    faults: int = 0,
    time_limit: str = "10 min",
    max_memory: str | None = None,
) -> int:
    """Write a certificate of what holds, for stillgate recheck.

    By states, it lists every situation the machine can be in; the re-check
    steps through all of them in plain Python, in minutes for some ten
    thousand. By invariant, it lists situations that z3 has proved are never
    entered: a small file, also with a fault, and the re-check asks z3 again.

    Exit status: 0 written, 4 not everything could be looked at in the limits
    given, 2 the file or the command line is at fault, 130 interrupted.

    Parameters
    ----------
    output
        File to write, such as press.certificate.json.
    by
        What shows it: every state, or an invariant.
    tick
        Step, such as '100 ms', or 'scan' for the controller's own. Left out: the file's,
        else the scan.
    faults
        0 or 1: how many faults may happen.
    time_limit
        Give up after so long, such as '10 min'.
    max_memory
        Give up beyond so much memory of the search, such as 2GiB.
    """
    from stillgate.controller.reading.reader import read_machine

    effort = effort_option(time_limit=time_limit, max_memory=max_memory)
    document = read_machine(machine, effort)
    period = tick_option(tick, document.machine.scan)
    budget = count_option("--faults", faults, 0, 1) or 0

    from stillgate.interlocks.certificates.certificate_file import certificate_bytes
    from stillgate.interlocks.requirements.monitors import is_judged
    from stillgate.interlocks.results.ticks import chosen_tick
    from stillgate.interlocks.results.verdict import tick_caution

    from ..console.progress import ProgressLine
    from ..console.words import count_words
    from ..files.whole_files import write_whole

    with ProgressLine(message_console()) as progress:
        step = chosen_tick(document.machine, period)
        make = _by_invariant if by == "invariant" else _by_states
        made = make(document, step, budget, effort, progress)
    write_whole(output, certificate_bytes(made))
    what = (
        count_words(len(made.states), "state") if by == "states" else count_words(len(made.cubes), "clause")
    )
    wanted = document.machine.requirements.items()
    left_out = [name for name, _ in wanted if name not in made.requirements]
    not_asked = [name for name, item in wanted if not is_judged(item, budget, possibility=not budget)]
    write_line(f"written to {output}: {what} for {count_words(len(made.requirements), 'requirement')}")
    if left_out:
        write_line(f"it shows nothing of {', '.join(left_out)}")
    if not_asked:
        write_line(f"{len(not_asked)} of them are judged without faults only (--faults 0 shows them)")
    if caution := tick_caution(made.tick, document.machine.scan):
        write_line(caution)
    write_line(f"to check it again: stillgate recheck {output} {machine}")
    return 0


def _by_states(
    document: MachineDocument, tick: int, faults: int, effort: Effort, progress: ProgressLine
) -> Certificate:
    from stillgate.interlocks.certificates.certify import states_certificate

    return states_certificate(document, tick=tick, faults=faults, effort=effort, progress=progress)


def _by_invariant(
    document: MachineDocument, tick: int, faults: int, effort: Effort, progress: ProgressLine
) -> Certificate:
    from stillgate.interlocks.certificates.certify import invariant_certificate
    from stillgate.interlocks.proofs.solver import solver_name

    solver_name()
    return invariant_certificate(document, tick=tick, faults=faults, effort=effort, tell=progress.say)
