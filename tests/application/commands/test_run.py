"""``stillgate run``: the trace a person reads, and the same for programs."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import jsonschema
import pytest

from stillgate.reports.exchange.schema_words import RUN

from ..conftest import Command
from ..snapshots import assert_snapshot

SCRIPT = ("--for", "4 s", "--at", "1 s start on for 200 ms", "--at", "2 s guard_shut off", "--seed", "7")


def test_a_trace_reads_as_in_the_snapshot(stillgate: Command, starter: Path) -> None:
    done = stillgate("run", starter, *SCRIPT)
    assert done.status == 0
    assert_snapshot("run.txt", "".join(line.rstrip() + "\n" for line in done.out.splitlines()))


def test_the_same_seed_gives_the_same_run_and_another_seed_another(stillgate: Command, starter: Path) -> None:
    first = stillgate("run", starter, *SCRIPT).out
    assert stillgate("run", starter, *SCRIPT).out == first
    others = {stillgate("run", starter, *SCRIPT[:-1], str(seed)).out for seed in range(5)}
    assert len(others) > 1


def test_the_json_of_a_run_fits_its_schema_and_says_what_happened(stillgate: Command, starter: Path) -> None:
    document = json.loads(stillgate("run", starter, *SCRIPT, "--format", "json").out)
    jsonschema.Draft7Validator(RUN).validate(document)
    assert document["time"] == 4000
    at_guard = next(step for step in document["steps"] if step["time"] == 2000)
    names = {(change["name"], change["after"], change["cause"]) for change in at_guard["changes"]}
    assert ("guard_shut", "off", "free") in names
    assert ("motor", "off", "controller") in names
    assert document["end"]["outputs"]["motor"] is False


def test_the_csv_has_a_row_for_every_scan(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    target = tmp_path / "trace.scans.csv"
    assert stillgate("run", starter, *SCRIPT, "--output", target).status == 0
    with target.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [int(row["time_ms"]) for row in rows] == list(range(0, 4001, 20))
    at = {int(row["time_ms"]): row for row in rows}
    assert [at[time]["motor"] for time in (980, 1000, 1980, 2000)] == ["0", "1", "1", "0"]
    assert [at[time]["start"] for time in (980, 1000, 1180, 1200)] == ["0", "1", "1", "0"]


def test_a_script_file_and_the_command_line_go_together(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    script = tmp_path / "day.txt"
    script.write_text("# press and let go\n1 s start on for 200 ms\n")
    together = stillgate("run", starter, *SCRIPT[:2], "--script", script, *SCRIPT[4:])
    assert together.out == stillgate("run", starter, *SCRIPT).out


def test_a_fault_is_named_with_its_effect(stillgate: Command, starter: Path) -> None:
    done = stillgate("run", starter, "--for", "3 s", "--at", "2 s motor stuck on")
    assert "fault: motor stuck on" in done.out
    assert "fault: motor goes on" in done.out


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"1 s start on\n" * 200_000])
def test_a_script_that_is_no_script_is_refused(
    stillgate: Command, starter: Path, tmp_path: Path, content: bytes
) -> None:
    script = tmp_path / "x.txt"
    script.write_bytes(content)
    done = stillgate("run", starter, "--script", script)
    assert done.status == 2
    assert "x.txt: " in done.err


def test_an_interrupted_run_prints_what_there_is(
    stillgate: Command, starter: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from stillgate.sim_io.simulation.simulation import Simulation

    step = Simulation.step

    def interrupted(self: Simulation) -> object:
        if self.executive.scans == 10:
            raise KeyboardInterrupt
        return step(self)

    monkeypatch.setattr(Simulation, "step", interrupted)
    done = stillgate("run", starter)
    assert done.status == 130
    assert "180 ms simulated" in done.out


def test_warnings_go_to_standard_error_with_their_place(stillgate: Command, starter: Path) -> None:
    starter.write_text(starter.read_text().replace("outputs:\n", "outputs:\n  bell: {}\n"))
    done = stillgate("run", starter, "--for", "1 s", "--format", "json")
    assert done.status == 0
    assert "press.yaml:21:3: warning: " in done.err
    assert json.loads(done.out)["time"] == 1000
