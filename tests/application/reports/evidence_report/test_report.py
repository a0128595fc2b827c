"""The commands of evidence: exit statuses, both forms, bad use."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from evidence_build import built_quickly
from stillgate.reports.published_schemas import schema_of
from strength_machines import GUARDED

from ...conftest import Command
from ...samples import SCAN, holding, result, undecided


@pytest.fixture(autouse=True)
def _quick() -> Iterator[None]:
    with built_quickly():
        yield


@pytest.fixture
def guarded(tmp_path: Path) -> Path:
    path = tmp_path / "guarded.yaml"
    path.write_text(GUARDED, encoding="utf-8")
    return path


def fits(out: str, form: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(out)
    jsonschema.Draft7Validator.check_schema(schema_of(form))
    jsonschema.Draft7Validator(schema_of(form)).validate(document)
    return document


def test_a_fault_table_has_a_text_and_a_document(stillgate: Command, guarded: Path) -> None:
    done = stillgate("fault-table", guarded)
    assert done.status == 0, "what breaks need not withstand a fault"
    assert "13 single faults" in done.out
    assert "guard_1 stuck off: the machine stops at once" in done.out
    assert "BREAK  guard_stops  under motor stuck on" in done.out
    assert "equally likely" not in done.out, "no coverage without declared failures"
    assert "not of a machine" in done.out
    document = fits(stillgate("fault-table", guarded, "--format", "json").out, "fault-table")
    assert len(document["rows"]) == 13


def test_faults_that_were_not_decided_are_told_in_one_sentence(stillgate: Command, guarded: Path) -> None:
    """Of a machine with thousands of inputs the table took minutes to print once the time was over."""
    done = stillgate("fault-table", guarded, "--max-states", 1)
    said = " ".join(done.out.split())
    assert done.status == 4
    assert "guard_1 stuck off, " in said
    assert said.count("so this is not known") == 1
    assert "No diagnostic coverage (ISO 13849-1): which failures are dangerous" in said


def test_rates_change_the_coverage_and_are_refused_where_they_make_no_sense(
    stillgate: Command, guarded: Path
) -> None:
    done = stillgate("fault-table", guarded, "--rate", "start stuck on=3", "--format", "json")
    start = next(item for item in json.loads(done.out)["coverage"] if item["subject"] == "start")
    assert start["dangerous"] == 3
    for text, said in (
        ("strat stuck on=1", "there is no fault 'strat stuck on'; did you mean 'start stuck on'?"),
        ("start stuck on", "gives no rate"),
        ("start stuck on=-1", "it is 0 or more"),
    ):
        refused = stillgate("fault-table", guarded, "--rate", text)
        assert refused.status == 2
        assert said in refused.err


def test_a_table_that_was_cut_short_is_undecided(stillgate: Command, guarded: Path) -> None:
    assert stillgate("fault-table", guarded, "--max-states", "3").status == 4


def test_layers_have_a_text_and_a_document(stillgate: Command, guarded: Path) -> None:
    done = stillgate("layers", guarded)
    assert done.status == 0
    assert "either layer alone" in " ".join(done.out.split())
    document = fits(stillgate("layers", guarded, "--format", "json").out, "layers")
    assert document["rows"][0]["carrier"] == "either layer alone"


def test_strength_lists_what_nobody_notices(stillgate: Command, guarded: Path) -> None:
    done = stillgate("strength", guarded, "--full")
    assert done.status == 1
    assert "Noticed by no requirement" in done.out
    assert f"{guarded}:22:5: interlock 1 on motor: interlock removed" in done.out
    document = fits(stillgate("strength", guarded, "--full", "--format", "json").out, "strength")
    assert document["noticed"] == sum(item["noticed"] for item in document["weakenings"])


def test_compare_says_same_or_different(stillgate: Command, guarded: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(GUARDED.replace("after: 500 ms", "after: 600 ms"), encoding="utf-8")
    assert stillgate("compare", guarded, guarded, "--faults", "0").status == 0
    done = stillgate("compare", guarded, other, "--faults", "0")
    assert done.status == 1
    assert "'to stopped, after 500 ms' is now 'to stopped, after 600 ms'" in " ".join(done.out.split())
    document = fits(stillgate("compare", guarded, other, "--faults", "0", "--format", "json").out, "compare")
    assert document["outputs"] == "broken"
    assert document["differing"] == ["motor"]


def test_the_story_of_what_no_longer_breaks_is_told_of_the_old_version(
    stillgate: Command, guarded: Path, tmp_path: Path
) -> None:
    """The guard must withstand a welded contactor in the old version, and need not in the new one."""
    stricter = tmp_path / "stricter.yaml"
    stricter.write_text(GUARDED.replace("    faults: 0\n", ""), encoding="utf-8")
    told = " ".join(stillgate("compare", stricter, guarded).out.split())
    assert "guard_stops: broken, now holds" in told
    assert "BROKEN guard_stops (in the old version)" in told
    assert "Outputs are compared without faults; each verdict is that under the faults" in told
    assert "No faults." not in told
    back = " ".join(stillgate("compare", guarded, stricter).out.split())
    assert "BROKEN guard_stops " in back
    assert "(in the old version)" not in back


def test_a_comparison_that_was_cut_short_is_undecided_and_not_different(
    stillgate: Command, guarded: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert stillgate("compare", guarded, guarded, "--faults", "0", "--max-states", "3").status == 4
    name = holding().name
    found = iter(
        (
            result(holding(tick=SCAN), tick=SCAN),
            result(dataclasses.replace(undecided(), name=name), exhausted=False),
        )
    )
    monkeypatch.setattr("stillgate.interlocks.checking.checker.check_within", lambda *_, **__: next(found))
    done = stillgate("compare", guarded, guarded)
    assert f"{name}: holds, now undecided" in " ".join(done.out.split())
    assert done.status == 4


def test_a_comparison_that_is_interrupted_says_so_and_nothing_else(
    stillgate: Command, guarded: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cut = result(undecided(), exhausted=False)
    cut = dataclasses.replace(
        cut, exploration=tuple(dataclasses.replace(item, stopped_by="interrupt") for item in cut.exploration)
    )
    monkeypatch.setattr("stillgate.interlocks.checking.checker.check_within", lambda *_, **__: cut)
    done = stillgate("compare", guarded, guarded)
    assert (done.status, done.out) == (130, "")
    assert done.err.endswith("stillgate: interrupted\n")


def test_a_file_that_is_not_there_is_bad_use(stillgate: Command, guarded: Path, tmp_path: Path) -> None:
    for line in (["fault-table"], ["layers"], ["strength"], ["compare", guarded]):
        done = stillgate(*line, tmp_path / "guardee.yaml")
        assert done.status == 2
        assert "there is no such file" in done.err
