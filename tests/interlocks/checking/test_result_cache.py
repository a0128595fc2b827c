"""Results are kept whole, found by everything they depend on, and damage counts as absence."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from stillgate.controller.kept_files import cache_folder, keep
from stillgate.interlocks.checking import result_cache
from stillgate.interlocks.checking.result_cache import (
    check_key,
    keep_result,
    kept_result,
    load_result,
    result_key,
)
from stillgate.interlocks.results.assumption import Assumption, Limit, Topic
from stillgate.interlocks.results.instant import Instant, Stretch
from stillgate.interlocks.results.verdict import (
    Cause,
    CheckResult,
    Exploration,
    Finding,
    FindingKind,
    Judgement,
    RequirementVerdict,
    Story,
    StoryChange,
    StoryStep,
    Word,
)

STORY = Story(
    headline="broken", ticks=2,
    steps=(StoryStep(0, 0, (StoryChange("button", "off", "on", Cause.OPERATOR),), ("lamp",), (("s", "a"),)),),
    recording=(
        Stretch(0, Instant({"button": True}, {"s": "a"}, {"lamp": True}, {"bit": True, "count": 1},
                           {"leaf": "at shut"}, ("lamp stuck on",), truths={"leaf.moving": False})),
        Stretch(1, Instant({"button": False}, {"s": None}, {"lamp": True}, {"bit": False, "count": 0},
                           {"leaf": "at shut"}, ("lamp stuck on",), ("lamp",), powered=False)),
    ),
)  # fmt: skip
RESULT = CheckResult(
    machine="m", digest="00", version="1", tick=100, scan=20, faults=1,
    assumed=(Assumption(Topic.FAULTS, "No faults.", ("a",), (Limit("r", "1 s", "needs 3 ticks"),)),),
    exclusions=(("lamp stuck on", "a reason with 'quotes' and ümlauts"),),
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


CHECK_AND_TELL = "import sys, stillgate.interlocks.checking.checker; print(*sys.modules)"


def kept(key: str) -> Path:
    return cache_folder() / "results" / f"{key}.json"


def test_a_kept_result_comes_back_the_same_to_the_last_story(key: str) -> None:
    assert load_result(key) is None
    keep_result(key, RESULT)
    assert load_result(key) == RESULT


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b"\xff\xfe", b'{"machine": "m"}'])
def test_what_is_no_result_counts_as_none(key: str, damage: bytes) -> None:
    keep("results", f"{key}.json", damage)
    assert load_result(key) is None


def test_an_edited_result_counts_as_none(key: str) -> None:
    """'holds' written over 'broken' is a result too, but not the one that was kept."""
    keep_result(key, RESULT)
    whole = kept(key).read_bytes()
    assert b'"broken"' in whole
    kept(key).write_bytes(whole.replace(b'"broken"', b'"holds"'))
    assert load_result(key) is None


def test_the_result_of_another_key_counts_as_none(key: str) -> None:
    keep_result(key, RESULT)
    kept(f"{key}0").write_bytes(kept(key).read_bytes())
    assert load_result(f"{key}0") is None


def test_parts_of_a_key_do_not_run_into_each_other() -> None:
    assert result_key([b"ab", b"c"]) != result_key([b"a", b"bc"])
    assert result_key([b"ab"]) != result_key([b"ab", b""])
    assert result_key([b"ab"]) == result_key([b"ab"])


def test_a_cache_that_cannot_be_written_loses_no_result(key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    keep_result(key, RESULT)
    assert load_result(key) is None


@pytest.mark.parametrize(
    "other", [{"tick": 0}, {"tick": 100}, {"faults": 0}, {"faults": 1}, {"overlaps": True}]
)
def test_every_option_of_a_check_is_in_its_key(other: dict[str, int]) -> None:
    assert check_key(b"machine: m", "m.yaml", **other) != check_key(b"machine: m", "m.yaml")  # type: ignore[arg-type]


def test_the_name_of_a_file_is_in_the_key_and_its_folder_is_not() -> None:
    key = check_key(b"machine: m", "m.yaml")
    assert check_key(b"machine: m", "elsewhere/m.yaml") == key
    assert check_key(b"machine: m", "n.yaml") != key
    assert check_key(b"machine: m ", "m.yaml") != key


def test_another_compiler_is_another_check(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    key = check_key(b"machine: m", "m.yaml")
    other = tmp_path / "cc"
    other.write_text("#!/bin/sh\n")
    other.chmod(0o755)
    monkeypatch.setenv("CC", str(other))
    assert check_key(b"machine: m", "m.yaml") != key


def test_a_kept_result_says_that_it_was_kept() -> None:
    keep_result(check_key(b"kept", "kept.yaml"), RESULT)
    found = kept_result(b"kept", "kept.yaml")
    assert found == replace(RESULT, from_cache=True)


@pytest.mark.parametrize("name", ["engine.c", "engine.h", "grammar.lark", "inner/part.py"])
def test_a_change_of_the_code_that_checks_is_another_check(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str
) -> None:
    """Somebody who works on the package itself gets no answer of the code before."""
    for file in (
        "__init__.py",
        "__pycache__/part.pyc",
        "engine.c",
        "engine.h",
        "grammar.lark",
        "inner/part.py",
    ):
        path = tmp_path / "checker_of_a_test" / file
        path.parent.mkdir(exist_ok=True)
        path.write_text("before")
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(result_cache, "_FLOORS", ("checker_of_a_test",))
    code = result_cache._code.__wrapped__
    before = code()
    (tmp_path / "checker_of_a_test" / "__pycache__" / "part.pyc").write_text("after")
    assert code() == before
    (tmp_path / "checker_of_a_test" / name).write_text("after")
    assert code() != before


def test_the_grammar_is_among_the_files_of_the_code() -> None:
    assert "expressions/grammar.lark" in dict(result_cache._code_files("stillgate.controller"))


def test_the_version_of_a_library_that_reads_the_file_is_in_the_key(monkeypatch: pytest.MonkeyPatch) -> None:
    code = result_cache._code.__wrapped__
    before = code()
    monkeypatch.setattr(result_cache, "version", lambda name: f"another {name}")
    assert code() != before


def test_a_check_uses_no_library_that_is_not_in_the_key() -> None:
    """Loaded besides: what pydantic itself is made of, and the executive, which judges nothing."""
    besides = {"annotated_types", "typing_extensions", "typing_inspection", "transitions", "six", "stillgate"}
    told = subprocess.run(
        [sys.executable, "-P", "-c", CHECK_AND_TELL],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    loaded = {name.split(".")[0] for name in told.split()} - set(sys.stdlib_module_names) - besides
    in_key = {name.replace("-", "_").split(".")[0] for name in result_cache._READERS}
    assert {name for name in loaded if not name.startswith("_")} == in_key
