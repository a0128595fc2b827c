"""``stillgate recheck``: checks a certificate again, by a small slow program of its own."""

from __future__ import annotations

import json
from pathlib import Path

from ..console.terminal import message_console, output_console, write_line
from .options import Format, MachineFile, effort_option

REFUSED, UNDECIDED = 1, 4


def recheck(
    certificate: Path,
    machine: MachineFile,
    /,
    *,
    time_limit: str | None = None,
    form: Format = "text",
) -> int:
    """Check a certificate again, without the search or the prover that made it.

    A certificate that lists states is checked by stepping the machine's
    program in plain Python: every start state is listed, no step leads out of
    the list, no step breaks a requirement it names, and every state has its
    way to the goals that must be reachable from anywhere. One that holds an
    invariant is checked by asking z3 a few questions.

    Exit status: 0 it stands, 1 it is refused, 4 not done in the time given, or
    it stands for a longer tick than the scan and so decides nothing, 2 a file
    or the command line is at fault, 130 interrupted.

    Parameters
    ----------
    certificate
        File that stillgate certificate wrote.
    time_limit
        Give up after so long, such as '10 min'.
    form
        Text for a person, json for a program (stillgate schema --of recheck).
    """
    from stillgate.controller.reading.reader import read_machine
    from stillgate.interlocks.certificates.certificate_file import read_certificate
    from stillgate.interlocks.certificates.recheck import recheck_certificate as check_again

    from ..console.progress import ProgressLine
    from ..reports.analyses.rechecked import recheck_document, write_recheck

    effort = effort_option(time_limit=time_limit)
    found = read_certificate(certificate)  # first: of two files in the wrong order this one tells it shortly
    document = read_machine(machine, effort)
    with ProgressLine(message_console()) as line:
        result = check_again(
            document,
            found,
            effort=effort,
            progress=lambda done, total: line.say(f"{done} of {total} states checked again"),
        )
    if form == "json":
        write_line(json.dumps(recheck_document(result, found, document.machine, str(certificate)), indent=2))
    else:
        write_recheck(output_console(), result, found, document.machine, str(certificate))
    if result.refusal is not None:
        return REFUSED
    return UNDECIDED if result.cut_short or found.tick != document.machine.scan else 0
