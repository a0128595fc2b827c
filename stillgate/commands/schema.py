"""``stillgate schema``: the JSON Schema of each file that is written by hand and of each JSON output."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from ..terminal import write_line


def schema(
    *,
    of: Literal[
        "machine",
        "scenario",
        "column-map",
        "check",
        "run",
        "scenario-result",
        "faults",
        "soak",
        "explain",
        "log",
        "replay",
        "diagnose",
        "fault-table",
        "layers",
        "strength",
        "compare",
        "confirm",
        "recheck",
        "draw",
        "doctor",
    ] = "machine",
    output: Annotated[Path | None, Parameter(name=["--output", "-o"])] = None,
) -> int:
    """Print a JSON Schema: of a file that is written by hand, or of a command's JSON output.

    With the schema of a file (machine, scenario, column-map) an editor completes
    keys and shows what each one means.

    Parameters
    ----------
    of
        What to describe.
    output
        File to write it to, instead of printing it.
    """
    text = json.dumps(schema_of(of), indent=2) + "\n"
    if output is None:
        write_line(text)
        return 0
    from ..files import write_whole

    write_whole(output, text.encode())
    write_line(f"written to {output}")
    return 0


def schema_of(what: str) -> dict[str, object]:
    """The schema of one format."""
    if what == "machine":
        from stillgate.controller.schema import machine_schema

        return machine_schema()
    if what == "scenario":
        from stillgate.controller.schema import file_schema
        from stillgate.sim_io.scenario import Scenario

        return file_schema(Scenario, "Scenario file")
    if what == "column-map":
        from stillgate.controller.schema import file_schema
        from stillgate.sim_io.readers.columns import ColumnMap

        return file_schema(ColumnMap, "Column map")
    from ..reports import (
        diagnosis_report,
        evidence_json,
        fault_list,
        json_schemas,
        log_summary,
        opinion,
        rechecked,
        replay_report,
        scenario_report,
        soak_report,
    )

    return {
        "check": json_schemas.CHECK,
        "run": json_schemas.RUN,
        "scenario-result": scenario_report.SCENARIO,
        "faults": fault_list.FAULTS,
        "soak": soak_report.SOAK,
        "explain": json_schemas.EXPLAIN,
        "log": log_summary.LOG,
        "replay": replay_report.REPLAY,
        "diagnose": diagnosis_report.DIAGNOSIS,
        "fault-table": evidence_json.FAULT_TABLE,
        "layers": evidence_json.LAYERS,
        "strength": evidence_json.STRENGTH,
        "compare": evidence_json.COMPARE,
        "confirm": opinion.CONFIRM,
        "recheck": rechecked.RECHECK,
        "draw": json_schemas.DRAW,
        "doctor": json_schemas.DOCTOR,
    }[what]
