"""A query of z3 that was told to end has no answer, whatever it returned."""

from __future__ import annotations

import time
from typing import Any

import pytest

from stillgate.controller.effort import LOOK_EVERY, Effort, OutOfTime

z3 = pytest.importorskip("z3")


class Late:
    """A solver that has its answer just as it is told to end."""

    def check(self, *assumptions: Any) -> Any:
        time.sleep(LOOK_EVERY * 4)
        return z3.sat


def test_an_answer_that_came_as_the_query_was_ended_is_none() -> None:
    """Told a moment too late, z3 drops what it is given next: a step was no function of its state then."""
    from stillgate.interlocks.proofs.cubes import answered

    effort = Effort().within(LOOK_EVERY)
    with pytest.raises(OutOfTime):
        answered(Late(), effort)
    assert answered(Late(), Effort())
