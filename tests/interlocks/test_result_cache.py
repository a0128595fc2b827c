"""Results are kept whole, found by everything they depend on, and damage counts as absence."""

from __future__ import annotations

from pathlib import Path

import pytest
from stillgate.controller.toolchain import cache_folder
from stillgate.interlocks.result_cache import keep_result, load_result, result_key
from stillgate.interlocks.verdict import (
    Cause,
    Change,
    CheckResult,
    Exploration,
    Finding,
    FindingKind,
    Judgement,
    RequirementVerdict,
    Story,
    StoryStep,
    Word,
)

STORY = Story(
    headline="broken", fault="lamp stuck on", start=(("leaf", "at shut"),), ticks=2,
    steps=(StoryStep(0, 0, (Change("button", "off", "on", Cause.OPERATOR),), ("lamp",), (("s", "a"),)),),
    inputs=((("button", 1),), (("button", 0),)),
)  # fmt: skip
RESULT = CheckResult(
    machine="m", digest="00", version="1", tick=100, scan=20, faults=1,
    assumptions=("No faults.",), exclusions=(("lamp stuck on", "a reason with 'quotes' and ümlauts"),),
    requirements=(
        RequirementVerdict("r", "absence", "never: lamp", "G not (lamp)", None, 1,
                           (Judgement(Word.BROKEN, 1, 100, 2, STORY),), Word.BROKEN, 0, 3, 5, "why"),
    ),
    findings=(Finding(FindingKind.VACUOUS, "r", "text", 1, 2),),
    exploration=(Exploration(1, 100, True, "", 10, 20, 3, 0.5, 12, 16.0, 2, 1),),
)  # fmt: skip


@pytest.fixture
def key(request: pytest.FixtureRequest) -> str:
    return result_key([request.node.name.encode()])


def kept(key: str) -> Path:
    return cache_folder() / "results" / f"{key}.json"


def test_a_kept_result_comes_back_the_same_to_the_last_story(key: str) -> None:
    assert load_result(key) is None
    keep_result(key, RESULT)
    assert load_result(key) == RESULT


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b"\xff\xfe", b'{"machine": "m"}'])
def test_a_damaged_result_counts_as_none(key: str, damage: bytes) -> None:
    keep_result(key, RESULT)
    kept(key).write_bytes(damage)
    assert load_result(key) is None


def test_a_result_cut_anywhere_counts_as_none(key: str) -> None:
    keep_result(key, RESULT)
    whole = kept(key).read_bytes()
    for length in range(0, len(whole), 37):
        kept(key).write_bytes(whole[:length])
        assert load_result(key) is None


def test_parts_of_a_key_do_not_run_into_each_other() -> None:
    assert result_key([b"ab", b"c"]) != result_key([b"a", b"bc"])
    assert result_key([b"ab"]) != result_key([b"ab", b""])
    assert result_key([b"ab"]) == result_key([b"ab"])


def test_a_cache_that_cannot_be_written_loses_no_result(key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    keep_result(key, RESULT)
    assert load_result(key) is None
