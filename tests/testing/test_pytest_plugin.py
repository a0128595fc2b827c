"""The pytest plugin as users meet it: collected, selected, failed, shared among workers."""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from importlib import import_module
from pathlib import Path

import pytest

import stillgate.testing.plugin.machine_items
import stillgate.testing.plugin.scenario_items  # noqa: F401  loaded once, not anew by every inner run
from engine import build_quickly
from stillgate.commands.new import starter_text

pytest_plugins = ["pytester"]

REQUIREMENTS = ("guard_stops_motor", "fresh_start", "lamp_tells_the_truth", "can_run")
FINDINGS = 5


def broken(text: str) -> str:
    """The starter with the guard forgotten."""
    return text.replace("unless: guard_shut", "unless: true").replace(" or not guard_shut, to", ", to")


@pytest.fixture(autouse=True)
def quick_checkers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Checkers of these tests are compiled without the optimiser."""
    build_quickly(monkeypatch)
    monkeypatch.setenv("COLUMNS", "100")


@pytest.fixture
def folder(pytester: pytest.Pytester) -> Path:
    """A folder with the starter as a machine file."""
    text = starter_text("press")
    pytester.path.joinpath("press.machine.yaml").write_text(text, encoding="utf-8")
    return pytester.path


def test_every_requirement_and_kind_of_finding_is_an_item(pytester: pytest.Pytester, folder: Path) -> None:
    result = pytester.runpytest("-q", "--collect-only")
    for name in REQUIREMENTS:
        result.stdout.fnmatch_lines([f"press.machine.yaml::{name}"])
    result.stdout.fnmatch_lines(["press.machine.yaml::finding[[]deadlock]"])
    assert f"{len(REQUIREMENTS) + FINDINGS} tests collected" in result.stdout.str()


def test_a_machine_that_holds_passes_and_says_under_what(pytester: pytest.Pytester, folder: Path) -> None:
    result = pytester.runpytest("-q", "--machine-no-cache")  # others may have checked it before
    result.assert_outcomes(passed=len(REQUIREMENTS) + FINDINGS)
    said = result.stdout.str()
    assert "4 requirements at the scan of 20 ms, up to one fault, under 10 assumptions; checked in" in said
    assert "decides nothing" not in said
    assert "This is a check of a model" in said


def test_what_is_only_not_broken_at_a_longer_tick_fails_as_undecided(
    pytester: pytest.Pytester, folder: Path
) -> None:
    result = pytester.runpytest("-q", "--machine-tick", "100 ms", "--machine-faults", "0")
    result.assert_outcomes(failed=len(REQUIREMENTS), passed=FINDINGS)
    result.stdout.fnmatch_lines(
        [
            "not broken at 100 ms, so undecided: never: lamp and motor",
            "  must withstand no fault; checked with a tick of 100 ms",
            "  A tick of 100 ms decides nothing at the scan of 20 ms: *",
        ]
    )


def test_the_result_of_an_unchanged_file_is_kept_and_the_run_says_so(
    pytester: pytest.Pytester, folder: Path
) -> None:
    kept = "kept from an earlier check of the same file"
    pytester.runpytest("-q")
    assert kept in pytester.runpytest("-q").stdout.str()
    assert kept not in pytester.runpytest("-q", "--machine-no-cache").stdout.str()


def test_the_items_of_a_kept_result_are_those_of_the_file(pytester: pytest.Pytester, folder: Path) -> None:
    """Names, order, places and keywords; a warning of the reader among them."""
    path = folder / "press.machine.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("outputs:", "outputs:\n  unused: {}", 1))
    read, _ = pytester.inline_genitems("--machine-no-cache")
    pytester.inline_run("-q")
    kept, _ = pytester.inline_genitems()
    assert [told(item) for item in kept] == [told(item) for item in read]
    assert kept[0].name == "guard_stops_motor" and "finding[warning]" in {item.name for item in kept}


def test_an_unchanged_file_is_not_even_read(
    pytester: pytest.Pytester, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytester.runpytest("-q").assert_outcomes(passed=len(REQUIREMENTS) + FINDINGS)
    monkeypatch.setattr(import_module("stillgate.controller.reading.reader"), "read_machine", None)
    pytester.runpytest("-q").assert_outcomes(passed=len(REQUIREMENTS) + FINDINGS)


def told(item: pytest.Item) -> tuple[object, ...]:
    """What pytest knows of an item before it runs."""
    return (
        item.nodeid,
        item.location,
        sorted(item.keywords),
        [mark.kwargs for mark in item.iter_markers("hazard")],
    )


def test_a_broken_requirement_fails_with_its_story_and_no_traceback(
    pytester: pytest.Pytester, folder: Path
) -> None:
    text = broken((folder / "press.machine.yaml").read_text(encoding="utf-8"))
    (folder / "press.machine.yaml").write_text(text, encoding="utf-8")
    result = pytester.runpytest("-q")
    assert result.ret == 1
    said = result.stdout.str()
    result.stdout.fnmatch_lines(
        [
            "broken: after not guard_shut, then not motor within 200 ms",
            "  press.machine.yaml:*: guard_stops_motor",
            "  hazard: entanglement",
            "  why: opening the guard stops the motor",
            "*surroundings: guard_shut opens (actuated)*",
            "FAILED press.machine.yaml::guard_stops_motor - broken: *",
        ]
    )
    assert "Traceback" not in said
    assert ".py:" not in said


def test_keywords_markers_and_first_failure_select_as_ever(pytester: pytest.Pytester, folder: Path) -> None:
    (folder / "other.machine.yaml").write_text(broken(starter_text("other")), encoding="utf-8")
    pytester.runpytest("-q", "-k", "lamp").assert_outcomes(passed=2, deselected=16)
    pytester.runpytest("-q", "-k", "entanglement").assert_outcomes(passed=1, failed=1, deselected=16)
    pytester.runpytest("-q", "-m", "hazard", "--strict-markers").assert_outcomes(
        passed=1, failed=1, deselected=16
    )
    stopped = pytester.runpytest("-q", "-x", "-m", "requirement")
    stopped.assert_outcomes(failed=1, deselected=10)


def test_the_fault_budget_and_the_tick_of_the_command_line_are_used(
    pytester: pytest.Pytester, folder: Path
) -> None:
    said = pytester.runpytest("-q", "--machine-faults", "0", "--machine-tick", "200 ms").stdout.str()
    assert "with a tick of 200 ms, without faults" in said
    said = pytester.runpytest("-q", "--machine-faults", "0", "--machine-tick", "scan").stdout.str()
    assert "at the scan of 20 ms, without faults" in said


def test_a_time_that_cannot_be_read_is_one_sentence(pytester: pytest.Pytester, folder: Path) -> None:
    result = pytester.runpytest_subprocess("--machine-tick", "3 parsecs")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: --machine-tick: 'parsecs' is not a unit of time*"])


def test_a_tick_of_no_time_is_refused_and_not_taken_for_the_scan(
    pytester: pytest.Pytester, folder: Path
) -> None:
    result = pytester.runpytest_subprocess("--machine-tick", "0 s")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: --machine-tick: '0 s' is no time at all; write one like '100 ms'*"])


@pytest.mark.parametrize("option", ["stillgate_machines", "stillgate_scenarios"])
@pytest.mark.parametrize("pattern", ["/there/press.yaml", '""', "machines/**.yaml"])
def test_a_pattern_that_names_nothing_is_one_sentence(
    pytester: pytest.Pytester, option: str, pattern: str
) -> None:
    if pattern == "machines/**.yaml" and sys.version_info >= (3, 13):
        pytest.skip("there it means the same as one star")
    pytester.makeini(f"[pytest]\n{option} = {pattern}\n")
    result = pytester.runpytest_inprocess("-q")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines([f"ERROR: {option}: * write names such as '[*].machine.yaml'*"])
    assert "Traceback" not in result.stderr.str()


def test_a_requirement_that_must_withstand_a_fault_breaks_with_it(
    pytester: pytest.Pytester, folder: Path
) -> None:
    path = folder / "press.machine.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("faults: 0 ", "faults: 1 "), encoding="utf-8")
    pytester.runpytest("-q", "--machine-faults", "0", "-k", "guard_stops").assert_outcomes(
        passed=1, deselected=8
    )
    result = pytester.runpytest("-q", "--machine-faults", "1", "-k", "guard_stops")
    result.assert_outcomes(failed=1, deselected=8)
    result.stdout.fnmatch_lines(["*with one fault:*"])


def test_a_check_that_cannot_be_run_is_one_sentence(
    pytester: pytest.Pytester, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STILLGATE_CACHE", str(folder / "press.machine.yaml"))
    said = pytester.runpytest_subprocess("-q", "-k", "fresh")
    said.stdout.fnmatch_lines(["the check could not be run: the cache folder *press.machine.yaml cannot*"])
    assert "exception" not in said.stdout.str()


def test_an_undecided_requirement_fails(pytester: pytest.Pytester, folder: Path) -> None:
    result = pytester.runpytest("-q", "-k", "fresh", "--machine-time-limit", "0 s", "--machine-no-cache")
    result.assert_outcomes(failed=1, deselected=8)
    result.stdout.fnmatch_lines(["undecided: *", "*stopped by time limit*", "*search NOT exhausted"])


def test_a_bad_file_is_one_collection_error_in_the_readers_words(
    pytester: pytest.Pytester, folder: Path
) -> None:
    path = folder / "press.machine.yaml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("rising(start)", "rising(strat)"), encoding="utf-8"
    )
    result = pytester.runpytest()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["press.machine.yaml:*: *strat*", "*did you mean*start*"])
    assert "Traceback" not in result.stdout.str()


def test_findings_warn_or_fail_as_asked(pytester: pytest.Pytester, folder: Path) -> None:
    path = folder / "press.machine.yaml"
    exit_line = "          - {after: 30 s, to: stopping, note: one batch}\n"
    never = "          - {when: motor and not motor, to: stopping}\n"
    text = path.read_text(encoding="utf-8").replace(exit_line, exit_line + never)
    path.write_text(text, encoding="utf-8")
    result = pytester.runpytest("-q")
    result.assert_outcomes(passed=9, warnings=1)
    line = text.splitlines().index(never.rstrip()) + 1
    result.stdout.fnmatch_lines(
        [
            f"*press.machine.yaml:{line}: MachineFindingWarning: press.machine.yaml:{line}:*"
            ": exit never taken: main: running, exit 2 *",
            f"*{never.strip()}",
        ]
    )
    result = pytester.runpytest("-q", "--machine-findings", "fail")
    result.assert_outcomes(passed=8, failed=1)
    result = pytester.runpytest("-q", "-W", "error::pytest.PytestWarning")
    result.assert_outcomes(passed=8, failed=1)
    assert ".py:" not in result.stdout.str(), "a sentence and no traceback"
    pytester.makeini("[pytest]\nstillgate_findings = fail\n")
    pytester.runpytest("-q").assert_outcomes(passed=8, failed=1)


def test_the_ini_names_files_by_name_or_by_path(pytester: pytest.Pytester, folder: Path) -> None:
    (folder / "machines").mkdir()
    (folder / "press.machine.yaml").rename(folder / "machines" / "press.yaml")
    pytester.runpytest("-q").assert_outcomes()
    pytester.makeini("[pytest]\nstillgate_machines = machines/*.yaml\n")
    pytester.runpytest("-q", "-m", "requirement").assert_outcomes(passed=4, deselected=5)
    pytester.makeini("[pytest]\nstillgate_machines = press.yaml\n")
    pytester.runpytest("-q", "-m", "requirement").assert_outcomes(passed=4, deselected=5)


def test_a_machine_file_named_on_the_command_line_is_collected(
    pytester: pytest.Pytester, folder: Path
) -> None:
    (folder / "press.machine.yaml").rename(folder / "press.yaml")
    (folder / "data.yaml").write_text("a: 1\n", encoding="utf-8")
    pytester.runpytest("-q", "press.yaml", "-m", "requirement").assert_outcomes(passed=4, deselected=5)
    assert pytester.runpytest("-q", "data.yaml").ret == pytest.ExitCode.USAGE_ERROR


def test_a_scenario_file_is_an_item(pytester: pytest.Pytester, folder: Path) -> None:
    (folder / "start.scenario.yaml").write_text(
        "scenario: start\nmachine: press.machine.yaml\nsteps:\n"
        "  - {at: 0 s, set: {stop_ok: on, guard_shut: on}}\n"
        "  - {at: 2 s, press: start}\n"
        "  - {expect: main.running, within: 100 ms}\n",
        encoding="utf-8",
    )
    pytester.runpytest("-q", "-m", "scenario").assert_outcomes(passed=1, deselected=9)
    path = folder / "start.scenario.yaml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("main.running", "guard_lamp.lit and lamp and motor"),
        encoding="utf-8",
    )
    result = pytester.runpytest("-q", "-m", "scenario")
    result.assert_outcomes(failed=1, deselected=9)
    result.stdout.fnmatch_lines(
        ["*seen then: motor is on", "see it again with:  stillgate run start.scenario.yaml"]
    )
    assert "Traceback" not in result.stdout.str()


def test_a_scenario_that_breaks_a_requirement_fails_with_the_story_of_the_break(
    pytester: pytest.Pytester, folder: Path
) -> None:
    """Up to the break and no further."""
    text = (folder / "press.machine.yaml").read_text(encoding="utf-8")
    (folder / "press.yaml").write_text(broken(text), encoding="utf-8")
    (folder / "opened.scenario.yaml").write_text(
        "scenario: opened\nmachine: press.yaml\nlasts: 6 s\nsteps:\n"
        "  - {at: 0 s, set: {stop_ok: on, guard_shut: on}}\n"
        "  - {at: 2 s, press: start}\n"
        "  - {at: 3 s, set: {guard_shut: off}}\n"
        "  - {at: 5 s, set: {guard_shut: on}}\n",
        encoding="utf-8",
    )
    result = pytester.runpytest("-q", "-m", "scenario")
    result.assert_outcomes(failed=1, deselected=9)
    result.stdout.fnmatch_lines(
        [
            "requirement guard_stops_motor broken at 3.18 s: after not guard_shut, then not motor within*",
            "At power-on: shaft *",
            "*operator: start goes on *",
            "*surroundings: guard_shut opens (actuated) *",
            "see it again with:  stillgate run opened.scenario.yaml",
        ]
    )
    assert "5.00 s" not in result.stdout.str()


def test_of_a_long_scenario_the_last_changes_before_the_break_are_told(
    pytester: pytest.Pytester, folder: Path
) -> None:
    text = (folder / "press.machine.yaml").read_text(encoding="utf-8")
    (folder / "press.yaml").write_text(broken(text), encoding="utf-8")
    presses = "".join(f"  - {{at: {100 * n} ms, press: start, for: 40 ms}}\n" for n in range(10, 50))
    (folder / "long.scenario.yaml").write_text(
        "scenario: long\nmachine: press.yaml\nlasts: 6 s\nsteps:\n"
        "  - {at: 0 s, set: {stop_ok: on, guard_shut: on}}\n"
        f"{presses}"
        "  - {at: 5 s, set: {guard_shut: off}}\n",
        encoding="utf-8",
    )
    # On a build server pytest repeats each whole failure in its summary: here it is counted once.
    said = pytester.runpytest("-q", "-m", "scenario", "--force-short-summary").stdout.str()
    assert "\nLeft out: what changed before 4.04 s.\n" in said
    assert "operator: start goes on " in said
    assert "surroundings: guard_shut opens (actuated)" in said
    assert len(re.findall(r"^ *[0-9.]+ s   ", said, re.MULTILINE)) == 20


def test_messages_name_files_as_seen_from_where_pytest_was_called(
    pytester: pytest.Pytester, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Commands that are printed work there, in workers of a parallel run as well."""
    pytester.makeini("[pytest]\n")
    inner = folder / "inner"
    inner.mkdir()
    (folder / "press.machine.yaml").rename(inner / "press.yaml")
    (inner / "open.machine.yaml").write_text(broken(starter_text("open")), encoding="utf-8")
    (inner / "none.scenario.yaml").write_text(
        "scenario: none\nmachine: press.yaml\nsteps: [{at: 1 s, expect: motor}]\n", encoding="utf-8"
    )
    monkeypatch.chdir(inner)
    for workers in ((), ("-n", "1")):
        result = pytester.runpytest_subprocess("-q", "--machine-faults", "0", *workers)
        result.assert_outcomes(failed=2, passed=8)
        said = result.stdout.str()
        result.stdout.fnmatch_lines(["  open.machine.yaml:*: guard_stops_motor"])
        assert "see it again with:  stillgate check open.machine.yaml --faults 0\n" in said
        assert "see it again with:  stillgate run none.scenario.yaml\n" in said
        assert "\nopen.machine.yaml: 4 requirements" in said
    (inner / "press.yaml").write_text("machine: [", encoding="utf-8")
    result = pytester.runpytest_subprocess("-q", "none.scenario.yaml")
    result.stdout.fnmatch_lines(["press.yaml:1:*"])


def test_junit_xml_has_places_verdicts_and_how_it_was_checked(
    pytester: pytest.Pytester, folder: Path
) -> None:
    pytester.runpytest("-q", "--junitxml=out.xml")
    cases = {case.get("name"): case for case in ET.parse(folder / "out.xml").iter("testcase")}
    properties = {item.get("name"): item.get("value") for item in cases["can_run"].iter("property")}
    assert properties["verdict"] == "holds"
    assert str(properties["machine_check"]).startswith("press.machine.yaml: 4 requirements")


def test_the_check_is_the_set_up_of_the_first_item(pytester: pytest.Pytester, folder: Path) -> None:
    result = pytester.runpytest("-q", "--durations=1", "-vv", "--machine-no-cache")
    result.stdout.fnmatch_lines(["*s setup *press.machine.yaml::guard_stops_motor"])


def test_two_workers_check_a_file_once(pytester: pytest.Pytester, folder: Path) -> None:
    """With items spread over both: each check leaves a line in a file."""
    pytester.makeconftest(
        "import importlib\n"
        "module = importlib.import_module('stillgate.interlocks.checking.checker')\n"
        "true = module.check\n"
        "def check(*arguments, **options):\n"
        "    with open('checks.txt', 'a') as file:\n"
        "        file.write('check\\n')\n"
        "    return true(*arguments, **options)\n"
        "module.check = check\n"
    )
    result = pytester.runpytest_subprocess("-q", "-n", "2", "--machine-no-cache", "--machine-faults", "0")
    result.assert_outcomes(passed=9)
    assert (folder / "checks.txt").read_text(encoding="utf-8") == "check\n"


def test_an_interrupted_check_ends_the_run_as_pytest_does(pytester: pytest.Pytester, folder: Path) -> None:
    pytester.makeconftest(
        "import dataclasses, importlib\n"
        "module = importlib.import_module('stillgate.interlocks.checking.checker')\n"
        "true = module.check\n"
        "def check(*arguments, **options):\n"
        "    result = true(*arguments, **options)\n"
        "    cut = [dataclasses.replace(item, stopped_by='interrupt') for item in result.exploration]\n"
        "    return dataclasses.replace(result, exploration=tuple(cut))\n"
        "module.check = check\n"
    )
    result = pytester.runpytest_subprocess("-q", "--machine-no-cache", "--machine-faults", "0")
    assert result.ret == pytest.ExitCode.INTERRUPTED
    said = result.stdout.str() + result.stderr.str()
    assert "KeyboardInterrupt" in said
    assert "Traceback" not in said
    assert "passed" not in said


def test_the_plugin_loads_neither_check_nor_hypothesis() -> None:
    program = (
        "import sys, stillgate.pytest_plugin\n"
        "heavy = {'pydantic', 'hypothesis', 'lark', 'rich', 'stillgate.interlocks'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    subprocess.run([sys.executable, "-P", "-c", program], check=True)
