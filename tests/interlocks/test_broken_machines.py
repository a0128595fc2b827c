"""Every planted design mistake is found, and no shipped machine breaks."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import pytest

from evidence_build import built_quickly
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.verdict import Word

MACHINES = Path(__file__).parents[2] / "machines"
BROKEN = sorted((MACHINES / "broken").glob("*.yaml"))
SHIPPED = sorted(MACHINES.glob("*.yaml"))
MOST = 200_000
"""Situations with a fault among which each mistake must show, in the order of their depth."""


def planted(path: Path) -> tuple[str, str]:
    """The requirement that must break and the mistake, from the file's first line."""
    head = path.read_text(encoding="utf-8").splitlines()[0]
    requirement, _, mistake = head.removeprefix("# broken:").partition("|")
    return requirement.strip(), mistake.strip()


def test_there_are_at_least_eight_planted_mistakes_each_with_its_name() -> None:
    assert len(BROKEN) >= 8
    for path in BROKEN:
        requirement, mistake = planted(path)
        assert requirement in read_machine(path).machine.requirements
        assert len(mistake) > 20


def breaks(path: Path, tick: int | None, most: int | None) -> None:
    """Asserts that the check finds the planted mistake, at a tick, and tells how it breaks."""
    requirement, _ = planted(path)
    document = read_machine(path)
    for faults in (0, 1):  # most break without a fault, and that is found in a tenth of the time
        with built_quickly():
            result = check(document, tick=tick, faults=faults, max_states=most if faults else None)
        verdict = next(item for item in result.requirements if item.name == requirement)
        if verdict.verdict is Word.BROKEN:
            break
    assert verdict.verdict is Word.BROKEN
    assert verdict.story is not None
    assert verdict.story.steps
    assert requirement in verdict.story.headline


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_the_check_finds_the_planted_mistake_and_tells_how_it_breaks(path: Path) -> None:
    """Of the harvester in steps of five scans, where each shows soon."""
    breaks(path, 5 * read_machine(path).machine.scan if "harvester" in path.stem else None, MOST)


@pytest.mark.night
@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_the_check_finds_the_planted_mistake_at_the_scan(path: Path) -> None:
    breaks(path, None, None)


def withstands(path: Path, faults: int | None) -> None:
    """Asserts that all that must hold does, at the scan."""
    with nullcontext() if "harvester" in path.stem else built_quickly():
        result = check(read_machine(path), faults=faults)
    assert result.tick == result.scan
    assert {item.name: item.verdict for item in result.requirements if item.verdict is not Word.HOLDS} == {}
    assert result.verdict is Word.HOLDS
    assert all(item.whole for item in result.exploration)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_machine_withstands_every_single_fault_that_it_must(path: Path) -> None:
    """Of the harvester no fault is looked at here: that takes a minute, and is asked at night."""
    withstands(path, 0 if "harvester" in path.stem else None)


@pytest.mark.night
def test_the_harvester_withstands_every_single_fault_that_it_must() -> None:
    withstands(MACHINES / "lavender_harvester.yaml", None)
