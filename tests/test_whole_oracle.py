"""Check, a second interpreter written from the reference page, z3, executive and random runs judge alike.

Every verdict and every shortest depth are compared with the second interpreter's, and what leaves its range
or is never reached besides; every verdict with z3's; every story is gone on the executive, and what random
runs break must be broken (``judged_by_others``). Then the check is asked once more and asks sets of times at
once, which times as short as these never need: what they decide must be what the search of every situation
says, and the second interpreter (``judged_by_sets``).

Three hundred machines at every run, without a fault and two in five with one too, by sets one in five; ten
thousand at night with whatever their files ask for: ``pytest -m night tests/test_whole_oracle.py``, or in
shards ``cd tests && python -m whole_oracle 0 5000``.
"""

from __future__ import annotations

from collections import Counter

import pytest

from stillgate.controller.machine_file.machine import requirement_pattern
from whole_oracle.comparing import compare, most_faults, most_faults_of_sets, small_machine
from whole_oracle.drawing import PATTERNS

CHUNK = 30
CHUNKS, AT_NIGHT = 10, 334
"""Three hundred at every run, ten thousand at night."""


def judged_alike(chunk: int, *, at_night: bool) -> None:
    """Asserts that check and oracle agree on the machines of a chunk of seeds."""
    judgements = by_others = by_sets = left_by_sets = 0
    for seed in range(chunk * CHUNK, (chunk + 1) * CHUNK):
        most, of_sets = (None, None) if at_night else (most_faults(seed), most_faults_of_sets(seed))
        found = compare(seed, faults=most, by_sets=of_sets)
        assert not found.differences, f"seed {seed}: {found.differences}\n{found.text}"
        judgements += found.judgements
        by_others += found.by_others
        by_sets += found.by_sets
        left_by_sets += found.left_by_sets
    assert judgements > 3 * CHUNK
    assert by_others > 3 * CHUNK
    assert by_sets > 3 * CHUNK, "sets reach verdicts on every machine"
    assert left_by_sets <= CHUNK / 15, "what sets leave undecided is compared with nothing"


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_check_and_oracle_agree_on_three_hundred_random_machines(chunk: int) -> None:
    judged_alike(chunk, at_night=False)


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(AT_NIGHT))
def test_check_and_oracle_agree_on_ten_thousand_random_machines(chunk: int) -> None:
    judged_alike(chunk, at_night=True)


def test_each_pattern_breaks_and_holds_non_vacuously_and_machines_move() -> None:
    """Of one hundred machines; a pattern that always held would test nothing."""
    broken: Counter[str] = Counter()
    held: Counter[str] = Counter()
    late = moving = with_fault_only = 0
    for seed in range(100):
        _, machine, judgement = small_machine(seed)
        moving += len(judgement.exits) > 1
        for (name, faults), answer in judgement.answers.items():
            pattern = str(requirement_pattern(machine.requirements[name]))
            if faults == 0:
                broken[pattern] += not answer.holds
                held[pattern] += answer.holds and answer.triggered
                late += answer.depth is not None and answer.depth >= 3
            else:
                with_fault_only += judgement.answers[name, 0].holds and not answer.holds
    for pattern in PATTERNS:
        assert broken[pattern] >= 8, f"{pattern} hardly ever breaks: {broken}"
        assert held[pattern] >= 8, f"{pattern} hardly ever holds: {held}"
    assert moving >= 75
    assert late >= 15, "a break that takes a while is what clocks are tested by"
    assert with_fault_only >= 10
