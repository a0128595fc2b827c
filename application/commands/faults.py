"""``stillgate faults``: everything that can go wrong with a machine's signals, as scenarios say it."""

from __future__ import annotations

import json
from typing import Annotated

from cyclopts import Parameter

from ..console.terminal import output_console, write_line
from .options import Format, MachineFile, load_machine


def faults(
    machine: MachineFile,
    /,
    *signals: Annotated[str, Parameter(help="Only what is about these inputs or outputs.")],
    form: Format = "text",
) -> int:
    """List every disturbance of a machine's switches, valves, power and scan.

    Each line can be said in a scenario (inject:), in an input script and to
    soak (--disturb), with other times too. What the check explores by itself
    is marked; the others are simulated only.

      stillgate faults press.yaml motor

    Parameters
    ----------
    form
        Text for a person, json for a program (stillgate schema --of faults).
    """
    from ..reports.analyses.fault_list import disturbances_about, faults_document, write_faults

    model = load_machine(machine)
    items = disturbances_about(model, signals)
    if form == "json":
        write_line(json.dumps(faults_document(model, items), indent=2))
    else:
        write_faults(output_console(), model, items)
    return 0
