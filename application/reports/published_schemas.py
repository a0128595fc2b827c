"""The schema of every file that is read and every output that is written, by its name."""

from __future__ import annotations


def schema_of(what: str) -> dict[str, object]:
    """The schema of one format."""
    if what == "machine":
        from stillgate.controller.machine_file.schema import machine_schema

        return machine_schema()
    if what == "scenario":
        from stillgate.controller.machine_file.schema import file_schema
        from stillgate.sim_io.scenarios.scenario import Scenario

        return file_schema(Scenario, "Scenario file")
    if what == "column-map":
        from stillgate.controller.machine_file.schema import file_schema
        from stillgate.sim_io.logs.readers.columns import ColumnMap

        return file_schema(ColumnMap, "Column map")
    from .analyses import analyses_json as evidence_json
    from .analyses import cross_check, fault_list, rechecked
    from .exchange import schema_words as json_schemas
    from .runs import diagnosis_report, log_summary, replay_report, scenario_report, soak_report

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
        "confirm": cross_check.CONFIRM,
        "recheck": rechecked.RECHECK,
        "draw": json_schemas.DRAW,
        "doctor": json_schemas.DOCTOR,
    }[what]
