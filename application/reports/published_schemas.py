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
    if what == "certificate":
        from .exchange.certificate_schema import CERTIFICATE

        return CERTIFICATE
    from .analyses import comparison, cross_check, fault_list, fault_table, layers, rechecked, strength
    from .exchange import schema_words
    from .runs import diagnosis_report, log_summary, replay_report, scenario_report, soak_report

    return {
        "check": schema_words.CHECK,
        "run": schema_words.RUN,
        "scenario-result": scenario_report.SCENARIO,
        "faults": fault_list.FAULTS,
        "soak": soak_report.SOAK,
        "explain": schema_words.EXPLAIN,
        "log": log_summary.LOG,
        "replay": replay_report.REPLAY,
        "diagnose": diagnosis_report.DIAGNOSIS,
        "fault-table": fault_table.FAULT_TABLE,
        "layers": layers.LAYERS,
        "strength": strength.STRENGTH,
        "compare": comparison.COMPARE,
        "confirm": cross_check.CONFIRM,
        "recheck": rechecked.RECHECK,
        "draw": schema_words.DRAW,
        "doctor": schema_words.DOCTOR,
    }[what]
