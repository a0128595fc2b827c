"""However large a machine is in one way, it gets its verdicts, or one sentence says what does not fit.

A generator of small machines never meets a size that was fixed when the engine was written, so
each such size has a machine of its own here, well beyond it.
"""

from __future__ import annotations

import json

import pytest

from engine import checked
from large_machines import LARGE
from stillgate.controller.errors import MachineFileError, UsageError
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.proofs import prover_share
from stillgate.interlocks.results.verdict import CheckResult

ONE_THREAD = {"use_cache": False, "threads": 1}


@pytest.mark.parametrize("name", LARGE)
def test_a_large_machine_gets_its_verdicts(name: str) -> None:
    content, right = LARGE[name]()
    result = checked(json.dumps(content), **ONE_THREAD)
    assert {item.name: item.verdict.value for item in result.requirements} == right


def edges(count: int, **how: object) -> CheckResult:
    """Buttons whose edges one state waits for; something is to be reached, so each memory is chosen."""
    names = [f"b{number}" for number in range(count)]
    exits = [{"when": f"rising({name})", "to": "end"} for name in names]
    states = {"idle": {"exits": exits}, "end": {"exits": [{"after": "100 ms", "to": "idle"}]}}
    content = {
        "machine": "edges",
        "scan": "20 ms",
        "inputs": {name: {} for name in names},
        "sequences": {"q": {"start": "idle", "states": states}},
        "requirements": {"end": {"reach": "q.end"}, "idle": {"never": "q.end and rising(q.idle)"}},
        "check": {"faults": 0},
    }
    return checked(json.dumps(content), **ONE_THREAD, **how)


def test_as_many_ways_on_of_one_state_as_memory_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two to the power of 40 do not fit: without a prover the check is undecided, and says why."""
    monkeypatch.setattr(prover_share, "has_prover", lambda: False)
    assert [item.verdict.value for item in edges(12).requirements] == ["holds", "holds"]
    result = edges(40, max_bytes=96 << 20)
    assert [item.verdict.value for item in result.requirements][1] == "undecided"
    assert [item.stopped_by for item in result.exploration] == ["memory cap"]


def test_more_exits_than_fit_are_refused_with_a_sentence() -> None:
    content, _ = LARGE["exits_of_one_state"]()
    exits = content["sequences"]["q"]["states"]["x"]["exits"]
    exits.append(exits[0])
    with pytest.raises(MachineFileError, match="'exits' has 201 entries, at most 200 fit"):
        read_machine_text(json.dumps(content), "machine.yaml")


def test_a_hold_of_too_many_ticks_is_refused_with_a_sentence() -> None:
    content, _ = LARGE["a_long_hold"]()
    text = json.dumps(content).replace("held(a, 10 s)", "held(a, 600 s)")
    with pytest.raises(UsageError, match="input a is held or debounced for too many ticks"):
        checked(text, **ONE_THREAD)
