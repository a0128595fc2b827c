"""``stillgate check`` from the file to the exit status, on the starter and on spoilt copies of it."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from stillgate.controller.effort import Effort
from stillgate.interlocks.results.verdict import CheckResult
from stillgate.reports.exchange.schema_words import CHECK

from ..conftest import Command
from ..samples import SCAN, broken, exploration, full_result, holding, result, undecided


def spoilt(starter: Path, *changes: tuple[str, str]) -> Path:
    """A copy of the starter with some text exchanged."""
    text = starter.read_text()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path = starter.with_name("spoilt.yaml")
    path.write_text(text)
    return path


def interrupted() -> CheckResult:
    """What is left when somebody presses Ctrl-C."""
    search = dataclasses.replace(exploration(exhausted=False), stopped_by="interrupt")
    return dataclasses.replace(result(holding(), undecided()), exploration=(search,))


NO_OVERRIDE = ("when: not stop_ok or not guard_shut, to", "when: not stop_ok, to")
NO_INTERLOCK = ("hold_off: motor, unless: guard_shut", "hold_off: lamp, unless: guard_shut")


@pytest.mark.parametrize(
    ("tick", "status", "said"),
    [
        ((), 0, "HOLDS  press: all 4 requirements, none of which must withstand a fault"),
        (("--tick", "100 ms"), 4, "UNDECIDED  press: none of 4 requirements breaks at a tick of 100 ms"),
    ],
)
def test_the_starter_checks_clean(
    stillgate: Command, starter: Path, tick: tuple[str, ...], status: int, said: str
) -> None:
    done = stillgate("check", starter, *tick)
    assert done.status == status, done.out
    assert done.err == ""
    assert "\nFindings" not in done.out
    assert said in done.out
    assert status or "broken" not in done.out.lower()


def test_the_mistake_of_the_tutorial_is_found_with_its_story(stillgate: Command, starter: Path) -> None:
    done = stillgate("check", spoilt(starter, NO_OVERRIDE, NO_INTERLOCK), "--faults", "0")
    assert done.status == 1
    assert "BROKEN  guard_stops_motor" in done.out
    assert "operator: start goes on" in done.out
    assert "surroundings: guard_shut opens" in done.out


def test_the_missing_requirement_of_the_tutorial_is_found_too(stillgate: Command, starter: Path) -> None:
    path = spoilt(
        starter,
        NO_OVERRIDE,
        (
            "requirements:\n",
            "requirements:\n  no_restart: {before: motor, first: start, since: not guard_shut}\n",
        ),
    )
    document = json.loads(stillgate("check", path, "--faults", "0", "--format", "json").out)
    verdicts = {item["name"]: item["verdict"] for item in document["requirements"]}
    assert verdicts["guard_stops_motor"] == "holds"
    assert verdicts["no_restart"] == "broken"


def test_the_front_page_shows_what_is_printed(stillgate: Command, starter: Path) -> None:
    text = starter.read_text().replace(*NO_OVERRIDE)
    kept = [line for line in text.splitlines() if "hold_off: motor" not in line]
    path = starter.with_name("spoilt.yaml")
    path.write_text("\n".join(kept) + "\n")
    out = stillgate("check", path, "--faults", "0").out.replace(str(path), "press.yaml")
    printed = iter(line.rstrip() for line in out.splitlines())
    shown = (Path(__file__).parents[3] / "README.md").read_text().split("```text\n")[1].split("```")[0]
    for line in shown.splitlines():
        assert line in printed, line  # in this order, others may stand between


def test_a_single_fault_is_named_in_the_story(stillgate: Command, starter: Path) -> None:
    path = spoilt(starter, ("faults: 0   ", "faults: 1   "))
    document = json.loads(stillgate("check", path, "--format", "json").out)
    jsonschema.Draft7Validator(CHECK).validate(document)
    story = document["requirements"][0]["story"]
    assert document["requirements"][0]["verdict"] == "broken"
    assert story["fault"] in {"motor stuck on", "guard_shut stuck on"}
    assert any(change["cause"] == "fault" for step in story["steps"] for change in step["changes"])


def test_a_cap_ends_undecided_with_status_4(stillgate: Command, starter: Path) -> None:
    done = stillgate("check", starter, "--max-states", "5", "--no-cache")
    assert done.status == 4
    assert "undecided" in done.out
    assert "before every reachable situation was seen" in " ".join(done.out.split())


def test_json_and_text_state_the_same_facts(stillgate: Command, starter: Path) -> None:
    text = " ".join(stillgate("check", starter).out.split())
    document = json.loads(stillgate("check", starter, "--format", "json").out)
    for assumption in document["assumptions"][:-1]:  # the last is in the caution
        assert assumption.partition(":")[0] in text
    for item in document["requirements"]:
        assert item["name"] in text
    assert document["caution"] in text


def test_a_second_check_of_the_same_file_is_answered_from_the_cache(
    stillgate: Command, starter: Path
) -> None:
    first = json.loads(stillgate("check", starter, "--format", "json").out)
    second = json.loads(stillgate("check", starter, "--format", "json").out)
    assert second["from_cache"] is True
    assert {**first, "from_cache": True} == second
    fresh = json.loads(stillgate("check", starter, "--format", "json", "--no-cache").out)
    assert fresh["from_cache"] is False


@pytest.mark.parametrize(
    ("outcome", "status"),
    [
        (result(holding(tick=SCAN), tick=SCAN), 0),
        (result(holding()), 4),
        (result(holding(), broken()), 1),
        (full_result(), 1),
        (result(holding(), undecided()), 4),
        (result(holding(), exhausted=False), 4),
        (interrupted(), 130),
    ],
)
def test_the_exit_status_says_the_verdict(
    stillgate: Command, starter: Path, monkeypatch: pytest.MonkeyPatch, outcome: CheckResult, status: int
) -> None:
    def answer(*arguments: Any, **options: Any) -> CheckResult:
        return outcome

    monkeypatch.setattr("stillgate.interlocks.checking.checker.check_within", answer)
    done = stillgate("check", starter, "--no-cache")
    assert done.status == status
    assert "requirement" in done.out


def test_options_reach_the_check(stillgate: Command, starter: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, Any] = {}

    def answer(document: Any, effort: Effort, **options: Any) -> CheckResult:
        seen.update(options, threads=effort.threads, states=effort.states, bytes=effort.bytes)
        assert 0 < (effort.left() or 0) <= 120
        return result(holding())

    monkeypatch.setattr("stillgate.interlocks.checking.checker.check_within", answer)
    stillgate(
        "check", starter, "--tick", "scan", "--faults", "1", "--threads", "3", "--max-states", "99",
        "--max-memory", "1.5GiB", "--time-limit", "2 min", "--no-cache",
    )  # fmt: skip
    expected = {
        "tick": 0, "faults": 1, "threads": 3, "states": 99, "bytes": 3 * 2**29, "use_cache": False,
    }  # fmt: skip
    assert {name: seen[name] for name in expected} == expected
