"""What the workers of a test run share is believed only if it is what was kept."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from stillgate.interlocks.results.assumption import Assumption, Topic
from stillgate.interlocks.results.verdict import CheckResult
from stillgate.testing.plugin.shared_result import computed_once

RESULT = CheckResult(
    machine="m", digest="00", version="1", tick=100, scan=20, faults=1, exclusions=(),
    assumed=(Assumption(Topic.FAULTS, "No faults."),), requirements=(), findings=(), exploration=(),
)  # fmt: skip


def not_wanted() -> CheckResult:
    raise AssertionError("there is a result")


@pytest.mark.parametrize("flips", [10, pytest.param(60, marks=pytest.mark.night)])
def test_a_shared_result_is_found_again_and_computed_anew_once_it_is_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, flips: int
) -> None:
    monkeypatch.setenv("STILLGATE_CACHE", str(tmp_path / "cache"))
    assert computed_once("run file", lambda: RESULT) == RESULT
    assert computed_once("run file", not_wanted) == RESULT
    (file,) = (tmp_path / "cache" / "runs").glob("*.json")
    whole = file.read_bytes()
    random = Random(flips)
    damages = [whole[: len(whole) // 2], b""]
    for at in (random.randrange(8 * len(whole)) for _ in range(flips)):
        damaged = bytearray(whole)
        damaged[at // 8] ^= 1 << at % 8
        damages.append(bytes(damaged))
    for content in damages:
        file.write_bytes(content)
        with pytest.raises(AssertionError, match="there is a result"):
            computed_once("run file", not_wanted)
        assert computed_once("run file", lambda: RESULT) == RESULT
        assert file.read_bytes() == whole
