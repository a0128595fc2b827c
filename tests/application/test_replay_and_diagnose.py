"""``stillgate replay`` and ``stillgate diagnose``, from a field log to the answer."""

from __future__ import annotations

import filecmp
import json
import re
import runpy
import shlex
from pathlib import Path

import jsonschema
import pytest

from stillgate.reports.published_schemas import schema_of

from .conftest import Command

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "machines" / "lavender_harvester.yaml"
LOGS = ROOT / "machines" / "field_logs"
HIDDEN = runpy.run_path(str(LOGS / "make.py"))["HIDDEN"]


# -- the worked example --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [name if name < "tu" else pytest.param(name, marks=pytest.mark.night) for name in sorted(HIDDEN)],
)
def test_the_hidden_fault_of_a_field_log_is_among_the_survivors(stillgate: Command, name: str) -> None:
    fault = HIDDEN[name][0]
    outcome = stillgate("diagnose", DEMO, LOGS / name, "--format", "json")
    found = json.loads(outcome.out)
    jsonschema.validate(found, schema_of("diagnose"))
    names = [item["name"] for item in found["survivors"]]
    assert outcome.status == 0
    if not fault:
        assert found["healthy"]
        return
    assert not found["healthy"]
    spelled = fault.split(" intermittent")[0] + " intermittent" if "intermittent" in fault else fault
    assert spelled in names
    assert len(names) <= 3
    begins = HIDDEN[name][1] * 20
    began = next(item["began"] for item in found["survivors"] if item["name"] == spelled)
    assert began["latest"] >= begins  # whoever began earlier would have looked the same


def test_five_field_logs_hide_a_fault_and_one_has_none() -> None:
    assert sorted(bool(fault) for fault, *_ in HIDDEN.values()) == [False] + [True] * 5
    assert {path.name for path in LOGS.glob("*.log")} == set(HIDDEN)


def test_the_guide_shows_what_its_commands_print(stillgate: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every text of the guide stands, line by line, in the output of the command before it."""
    monkeypatch.chdir(ROOT)
    guide = (ROOT / "docs" / "how-to" / "why-did-it-stop.md").read_text(encoding="utf-8")
    printed, shown = "", 0
    for kind, content in re.findall(r"^```(sh|text)\n(.*?)^```$", guide, re.MULTILINE | re.DOTALL):
        if kind == "sh":
            [command] = content.strip().splitlines()
            outcome = stillgate(*shlex.split(command)[1:])
            assert outcome.status == 0, command
            printed = "\n".join(line.rstrip() for line in outcome.out.splitlines())
        else:
            assert content.strip("\n") in printed, content
            shown += 1
    assert shown == 3


def test_the_field_logs_come_out_byte_for_byte_the_same(tmp_path: Path) -> None:
    """One of them here, to be quick; they are all made alike."""
    module = runpy.run_path(str(LOGS / "make.py"))
    only = {"monday.log": HIDDEN["monday.log"]}
    module["make"].__globals__["HIDDEN"] = only
    module["make"](tmp_path)
    assert filecmp.cmp(tmp_path / "monday.log", LOGS / "monday.log", shallow=False)


# -- text ----------------------------------------------------------------------------------------


def test_a_diagnosis_says_which_fault_since_when_and_what_to_measure(stillgate: Command) -> None:
    text = " ".join(stillgate("diagnose", DEMO, LOGS / "tuesday.log").out.split())
    assert "2 faults would explain the log" in text
    assert "index_out stuck off, began between" in text
    assert "measure frame_oil at the load it switches while it is asked for" in text
    assert "if it is on: index_out stuck off" in text
    assert "nothing wrong, " in text
    assert "competent person" in text


def test_a_replay_tells_what_happened_and_why_an_output_was_off(stillgate: Command) -> None:
    outcome = stillgate("replay", DEMO, LOGS / "thursday.log", "--why", "drive_oil", "--at", "1:10")
    assert outcome.status == 0
    assert "Why drive_oil was off at 1:10.000" in outcome.out
    assert "Log and logic agree in every scan" in outcome.out
    assert "No log can judge these" in outcome.out
    same = stillgate("replay", DEMO, LOGS / "thursday.log", "--why", "drive_oil", "--at", "70 s")
    assert same.out == outcome.out


def test_the_json_of_a_replay_follows_its_schema(stillgate: Command) -> None:
    outcome = stillgate(
        "replay", DEMO, LOGS / "monday.log", "--format", "json", "--why", "horn", "--at", "30s", "--last", "5"
    )
    found = json.loads(outcome.out)
    jsonschema.validate(found, schema_of("replay"))
    assert len(found["timeline"]) == 5
    assert found["parting"] is None
    assert found["why"]["output"] == "horn"


# -- a log that is not as it should be -----------------------------------------------------------


def test_another_machine_file_is_warned_of(stillgate: Command, tmp_path: Path) -> None:
    changed = tmp_path / "harvester.yaml"
    changed.write_text(
        DEMO.read_text().replace("{after: 700 ms, to: cutting}", "{after: 800 ms, to: cutting}")
    )
    outcome = stillgate("replay", changed, LOGS / "friday.log", "--last", "0")
    assert outcome.status == 1
    assert "another version of the machine file" in outcome.err
    assert "LOG AND LOGIC PART at" in outcome.out
    assert "the log says cutting, the machine file gives warning" in outcome.out
    assert "drive_oil off" in outcome.out  # with the reason


def test_a_log_that_no_fault_explains_is_said_to_be_so_with_the_last_to_fall(
    stillgate: Command, tmp_path: Path
) -> None:
    """Two parts that the file describes wrongly, so that no single fault accounts for both."""
    machine = tmp_path / "narrow.yaml"
    slower = DEMO.read_text()
    for part, times in (("conveyor", "5..6 s"), ("ground", "7..8 s")):
        drive = f"{part}_on and drive_oil"
        slower = slower.replace(
            f"drive: {drive}, runs_down: 0.2..0.3 s", f"drive: {drive}, runs_down: {times}"
        )
    machine.write_text(slower)
    outcome = stillgate("diagnose", machine, LOGS / "monday.log")
    assert outcome.status == 1
    assert "NONE OF THE MODELLED FAULTS EXPLAINS THIS LOG" in outcome.out
    assert "fell when at" in " ".join(outcome.out.split())


# -- bad use -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("replay", "--why", "horn"), "belong together"),
        (("replay", "--why", "hron", "--at", "3s"), "did you mean 'horn'"),
        (("replay", "--why", "horn", "--at", "2h"), "the log ends at"),
        (("replay", "--at", "soon", "--why", "horn"), "is not a time"),
        (("replay", "--slack", "5..3 s"), "--slack"),
        (("diagnose", "--with", "bunch_hung bounces"), "--with"),
        (("diagnose", "--with", "hook bounces 20 ms"), "--with"),
        (("diagnose", "--with", "power dip 200 ms"), "not about one switch"),
    ],
)
def test_bad_use_is_one_sentence_and_status_2(
    stillgate: Command, arguments: tuple[str, ...], words: str
) -> None:
    command, *options = arguments
    outcome = stillgate(command, DEMO, LOGS / "monday.log", *options)
    assert outcome.status == 2
    assert words in outcome.err
    assert "Traceback" not in outcome.err


@pytest.mark.parametrize("command", ["replay", "diagnose"])
def test_a_log_that_is_not_there_or_no_log_is_one_sentence(
    stillgate: Command, tmp_path: Path, command: str
) -> None:
    missing = stillgate(command, DEMO, tmp_path / "none.log")
    assert missing.status == 2
    binary = tmp_path / "b.log"
    binary.write_bytes(bytes(range(256)) * 40)
    wrong = stillgate(command, DEMO, binary)
    assert wrong.status == 2
    assert "Traceback" not in wrong.err + missing.err


# -- logs that say little ------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["replay", "diagnose"])
def test_a_log_without_any_value_is_refused_instead_of_judged(
    stillgate: Command, starter: Path, command: str
) -> None:
    """Nothing would follow from it but what follows from nothing."""
    log = starter.with_name("dark.csv")
    log.write_text("time_ms,start,motor\n0,,\n20,,\n")
    done = stillgate(command, starter, log)
    assert done.status == 2
    assert "it holds no value of any signal of this machine" in done.err
    assert done.out == ""


def test_what_could_not_be_read_is_told_beside_the_answer(stillgate: Command, starter: Path) -> None:
    log = starter.with_name("late.csv")
    log.write_text("time_ms,start,motor\n0,0,0\n200,perhaps,0\n400,0,0\n")
    done = stillgate("replay", starter, log)
    assert "warning" in done.err
    assert "'stillgate log' shows where" in done.err


def test_a_database_is_asked_for_by_no_log_but_that_of_a_bus(stillgate: Command, starter: Path) -> None:
    log = starter.with_name("table.csv")
    log.write_text("time_ms,start,motor\n0,0,0\n")
    done = stillgate("replay", starter, log, "--dbc", log)
    assert done.status == 2
    assert "--dbc describes the frames of a CAN log" in done.err


def test_a_log_that_begins_in_mid_run_is_not_called_another_program(
    stillgate: Command, starter: Path
) -> None:
    """The motor runs in the first row; nobody knows since when."""
    log = starter.with_name("middle.csv")
    quiet, running = "1,1,0,0", "1,1,0,1"
    log.write_text(f"time_ms,stop_ok,guard_shut,start,motor\n0,{running}\n500,{running}\n900,{quiet}\n")
    layout = log.with_name("map.yaml")
    layout.write_text("accuracy: 0 ms")
    replayed = stillgate("replay", starter, log, "--map", layout, "--format", "json")
    assert replayed.status == 4
    assert json.loads(replayed.out)["parting"]["at_first"]
    told = stillgate("diagnose", starter, log, "--map", layout)
    assert "THE LOG MAY BEGIN IN MID-RUN" in told.out
    assert "DID WHAT THE FILE DOES NOT SAY" not in told.out
    text = stillgate("replay", starter, log, "--map", layout).out
    assert "This is where the log begins" in text
    assert "whether they part cannot be told" in text


def test_a_log_that_parts_later_is_told_as_before(stillgate: Command, starter: Path) -> None:
    log = starter.with_name("later.csv")
    quiet, running = "1,1,0,0", "1,1,0,1"
    log.write_text(f"time_ms,stop_ok,guard_shut,start,motor\n0,{quiet}\n500,{running}\n900,{quiet}\n")
    layout = log.with_name("map.yaml")
    layout.write_text("accuracy: 0 ms")
    replayed = stillgate("replay", starter, log, "--map", layout, "--format", "json")
    assert not json.loads(replayed.out)["parting"]["at_first"]
    told = " ".join(stillgate("diagnose", starter, log, "--map", layout).out.split())
    assert "DID WHAT THE FILE DOES NOT SAY" in told
    assert "Not everything before was known" in told
    layout.write_text("{begins: at power-on, accuracy: 0 ms}")
    log.write_text("time_ms,stop_ok,guard_shut,start,still,motor\n0,1,1,0,1,0\n500,1,1,0,1,1\n")
    told = " ".join(stillgate("diagnose", starter, log, "--map", layout).out.split())
    assert "DID WHAT THE FILE DOES NOT SAY" in told
    assert "Not everything before was known" not in told


# -- logs that leave open what was between their rows ------------------------------------------------


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        ("{}", "taken as samples, between which nothing is known. If there is a row wherever something"),
        ("every: 100 ms", "its rows are samples, and what was between two of them is not known."),
        ("accuracy: 20 ms", "when a signal changed is known to the stated accuracy only"),
    ],
)
def test_a_log_that_leaves_much_open_is_said_to(
    stillgate: Command, starter: Path, layout: str, words: str
) -> None:
    """No fault is named, the controller is not blamed, and both commands say 'undecided'."""
    log, plan = starter.with_name("few.csv"), starter.with_name("map.yaml")
    plan.write_text(layout)
    quiet = "1,1,0,0"
    log.write_text(f"time_ms,stop_ok,guard_shut,start,motor\n7,{quiet}\n107,{quiet}\n207,1,1,1,1\n")
    replayed = stillgate("replay", starter, log, "--map", plan)
    diagnosed = stillgate("diagnose", starter, log, "--map", plan)
    assert (replayed.status, diagnosed.status) == (4, 4)
    assert "Whether log and logic agree cannot be told from this log" in replayed.out
    assert "Whether anything is wrong cannot be told from this log" in diagnosed.out
    assert "can be explained without any fault" not in diagnosed.out
    for outcome in (replayed, diagnosed):
        assert words.casefold() in " ".join(outcome.out.split()).casefold()
    for command in ("replay", "diagnose"):
        document = json.loads(stillgate(command, starter, log, "--map", plan, "--format", "json").out)
        jsonschema.validate(document, schema_of(command))


def test_agreement_in_every_scan_is_not_said_of_a_log_with_missing_records(
    stillgate: Command, tmp_path: Path
) -> None:
    lines = (LOGS / "thursday.log").read_text().splitlines(keepends=True)
    log = tmp_path / "torn.log"
    log.write_text("".join([*lines[:-3], *lines[-2:]]))
    outcome = stillgate("replay", DEMO, log, "--last", "0")
    assert "in every scan" not in outcome.out
    assert "not everything can be told: records are missing there" in " ".join(outcome.out.split())
    assert outcome.status == 4
