"""Small machines whose verdicts once were false, each with the verdict that is right.

Every file is the smallest known of its kind of mistake. What is right follows from the reference
page alone and was worked out by hand beside each row, or by a search of every run by brute force.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from stillgate.controller.reader import read_machine
from stillgate.interlocks.check import check

FOLDER = Path(__file__).parent / "false_verdicts"

RIGHT: dict[str, dict[str, str]] = {
    # Pressing b0 alone enters s0. s3 is entered in the scan in which b3 rises, so b3 is then on; without
    # faults what the controller has sampled is the healthy circuit itself.
    "fourteen_edges": {"s": "holds", "no": "holds"},
}
"""By file and requirement: 'holds' or 'broken', without faults unless the file asks for more."""


@pytest.mark.parametrize("name", RIGHT)
def test_the_verdicts_are_those_that_follow_from_the_page(name: str) -> None:
    result = check(read_machine(FOLDER / f"{name}.yaml"), use_cache=False)
    assert {item.name: item.verdict.value for item in result.requirements} == RIGHT[name]
