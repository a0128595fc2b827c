"""A planted mistake is one small change to a machine that is shipped, and nothing else.

The files under machines/broken are whole, since people read them; these tests keep them from
drifting away from the machines they were made from.
"""

from __future__ import annotations

from difflib import SequenceMatcher
from pathlib import Path

import pytest

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine

MACHINES = Path(__file__).parents[2] / "machines"
BROKEN = sorted((MACHINES / "broken").glob("*.yaml"))
ORIGINS = {"harvester": "lavender_harvester", "press": "press_two_hand", "saw": "guarded_saw"}
SECTIONS = ("hazards", "check", "scan")
"""What a mistake leaves alone, beside what must hold."""

FEW_LINES = 30


def origin_of(path: Path) -> Path:
    """The shipped machine that a broken one was made from, by the first word of its name."""
    return MACHINES / f"{ORIGINS[path.stem.partition('_')[0]]}.yaml"


def told_lines(path: Path) -> list[str]:
    """Lines that say something: neither empty nor comments."""
    lines = (line.rstrip() for line in path.read_text(encoding="utf-8").splitlines())
    return [line for line in lines if line and not line.lstrip().startswith("#")]


def changed_lines(before: list[str], after: list[str]) -> int:
    """Lines that were taken out or put in."""
    blocks = SequenceMatcher(None, before, after, autojunk=False).get_matching_blocks()
    return len(before) + len(after) - 2 * sum(block.size for block in blocks)


def what_must_hold(machine: Machine) -> list[tuple[str, type[object], str | None, int | None]]:
    """Name, pattern, hazard and faults of each requirement.

    The conditions are not among them: a mistake that leaves a valve out cannot name it.
    """
    return [(name, type(item), item.hazard, item.faults) for name, item in machine.requirements.items()]


def test_there_are_planted_mistakes_in_every_shipped_machine() -> None:
    assert {origin_of(path).name for path in BROKEN} == {path.name for path in MACHINES.glob("*.yaml")}


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_a_planted_mistake_changes_a_few_lines_of_its_machine(path: Path) -> None:
    count = changed_lines(told_lines(origin_of(path)), told_lines(path))
    assert 0 < count <= FEW_LINES


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_a_planted_mistake_leaves_the_requirements_alone(path: Path) -> None:
    broken, origin = read_machine(path).machine, read_machine(origin_of(path)).machine
    for section in SECTIONS:
        assert getattr(broken, section) == getattr(origin, section)
    assert what_must_hold(broken) == what_must_hold(origin)


def test_two_planted_mistakes_are_never_the_same() -> None:
    texts = [tuple(told_lines(path)) for path in BROKEN]
    assert len(set(texts)) == len(texts)
