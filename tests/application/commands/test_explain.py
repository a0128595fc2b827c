"""``stillgate explain``: where it stands, what is blocked by what, what one change would do."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema

from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.reports.exchange.schema_words import EXPLAIN
from stillgate.reports.runs.situation import outcomes, resting_levels, situate

from ..conftest import Command
from ..snapshots import assert_snapshot


def test_a_situation_reads_as_in_the_snapshot(stillgate: Command, starter: Path) -> None:
    done = stillgate("explain", starter, "--in", "main=stopping", "--with", "guard_shut=off")
    assert done.status == 0
    assert_snapshot("explain.txt", done.out)


def test_the_default_situation_is_power_on_with_nobody_near(stillgate: Command, starter: Path) -> None:
    out = stillgate("explain", starter).out
    assert "inputs: start off, stop_ok closed (released), guard_shut closed (released)," in out
    assert "main is in stopped" in out


def test_switches_of_a_part_are_as_the_part_starts(starter: Path) -> None:
    text = starter.read_text().replace("runs_up: 200..400 ms", "runs_up: 200..400 ms\n    starts: at_speed")
    levels = resting_levels(read_machine_text(text).machine)
    assert levels == {"start": False, "stop_ok": True, "guard_shut": True, "still": False}


def test_the_answer_is_three_lines_at_most_and_says_what_moves_it(stillgate: Command, starter: Path) -> None:
    out = stillgate("explain", starter, "--in", "main=running").out
    answer = out.split("\n\n")[0]
    assert len(answer.splitlines()) <= 3
    assert answer.startswith("press: main running; on: motor\n")
    assert "open: main: running, exit 1 to stopping in 30 s; moved by: stop_ok opens" in answer
    stopping = stillgate("explain", starter, "--in", "main=stopping", "--with", "guard_shut=off").out
    assert "\nopen: no exit; moved by: guard_shut closes (released)\n" in stopping, (
        "an override that is there opens nothing"
    )


def test_only_sequences_that_were_named_are_explained_and_the_others_said(
    stillgate: Command, starter: Path
) -> None:
    out = stillgate("explain", starter, "--in", "main=running").out
    assert "main is in running" in out
    assert "guard_lamp is in" not in out
    assert "not explained, since --in does not name them: guard_lamp dark" in out
    assert "lamp off" not in out


def test_a_change_after_which_the_same_happens_as_without_it_is_not_told(starter: Path) -> None:
    machine = read_machine(starter).machine
    running = situate(machine, states={"main": "running"}, inputs={"guard_shut": False}, memory={})
    causes = [item.cause for item in outcomes(machine, running)]
    assert causes == ["nothing changes", "guard_shut closes (released)"]


def test_the_time_in_a_state_can_be_given(stillgate: Command, starter: Path) -> None:
    fresh = stillgate("explain", starter, "--in", "main=running").out
    late = stillgate("explain", starter, "--in", "main=running", "--since", "29 s").out
    assert "blocked for another 30 s" in fresh
    assert "blocked for another 1 s" in late


def test_the_end_of_a_run_can_be_explained(stillgate: Command, starter: Path) -> None:
    out = stillgate("explain", starter, "--for", "3 s", "--at", "2 s start on").out
    assert "main is in running" in out
    assert "motor on: demanded by main.running" in out


def test_the_json_of_a_situation_fits_its_schema(stillgate: Command, starter: Path) -> None:
    done = stillgate("explain", starter, "--in", "main=stopping", "--with", "still=off", "--format", "json")
    document = json.loads(done.out)
    jsonschema.Draft7Validator(EXPLAIN).validate(document)
    blocked = {item["name"]: item for item in document["exits"]}["main: stopping, exit 1 to stopped"]
    assert blocked["open"] is False
    parts = {part["text"]: part["holds"] for part in blocked["condition"]["parts"]}
    assert parts == {"still": False, "stop_ok": True, "guard_shut": True}


def test_what_one_change_would_do_is_what_it_does(starter: Path) -> None:
    machine = read_machine(starter).machine
    running = situate(machine, states={"main": "running"}, inputs={}, memory={})
    found = {item.cause: item for item in outcomes(machine, running)}
    assert found["guard_shut opens (actuated)"].exits == ("main: override 1 to stopping",)
    assert found["guard_shut opens (actuated)"].outputs == (("motor", False),)
    assert found["nothing changes"].after == 30_000
    running.inputs["guard_shut"] = False
    running.scan()
    assert running.states["main"] == "stopping"
    assert running.outputs["motor"] is False


def test_looking_ahead_leaves_the_situation_as_it_was(starter: Path) -> None:
    machine = read_machine(starter).machine
    running = situate(machine, states={"main": "running"}, inputs={}, memory={})
    before = running.snapshot(), dict(running.inputs)
    outcomes(machine, running)
    assert (running.snapshot(), dict(running.inputs)) == before


def test_a_named_condition_stands_by_its_name_with_what_it_stands_for(
    stillgate: Command, starter: Path
) -> None:
    text = starter.read_text(encoding="utf-8").replace("still and not main.running", "at_rest")
    named = "conditions:\n  at_rest: still and not main.running\n  spare: motor\n\nsequences:"
    starter.write_text(text.replace("sequences:", named), encoding="utf-8")
    out = stillgate("explain", starter, "--with", "still=off").out
    assert "lamp off: no active state demands it" in out
    assert "dark, exit 1 to lit: blocked because at_rest is false (still is false)" in out
    assert "false  at_rest\n" in out
    assert "false    all of: still and not main.running\n" in out
    assert "named conditions, as the controller reads them\n  at_rest: still and not main.running\n" in out
    assert "spare" not in out, "nothing of the controller reads it"
    document = json.loads(stillgate("explain", starter, "--with", "still=off", "--format", "json").out)
    jsonschema.Draft7Validator(EXPLAIN).validate(document)
    assert document["conditions"] == {"at_rest": "still and not main.running"}
    (way,) = [item for item in document["exits"] if item["name"] == "guard_lamp: dark, exit 1 to lit"]
    assert (way["condition"]["text"], way["condition"]["joint"]) == ("at_rest", "named")
