"""Instants that last are told once, and come back one a tick; words are made of values, never read back."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from stillgate.interlocks.results.instant import Instant, instants_of, stretches_of, value_text


def instant(on: bool) -> Instant:
    return Instant({"door": on}, {"main": "off"}, {}, {"bit": on, "count": int(on)}, {})


@settings(deadline=None)
@given(st.lists(st.booleans(), min_size=1))
def test_stretches_are_the_instants_they_were_made_of(levels: list[bool]) -> None:
    instants = [instant(on) for on in levels]
    stretches = stretches_of(instants)
    assert list(instants_of(stretches, len(levels))) == instants
    assert len(stretches) == 1 + sum(a != b for a, b in pairwise(levels))


def test_a_state_named_as_no_power_is_told_apart_from_it() -> None:
    assert instant(True).state_text("main") == "off"
    assert Instant({}, {"main": None}, {}, {}, {}).state_text("main") == "off"


def test_a_counter_of_two_values_is_written_in_digits() -> None:
    """A bit and a counter from 0 to 1 hold the same numbers and are not the same kind of value."""
    assert [value_text(value) for value in (True, False, 1, 0)] == ["on", "off", "1", "0"]


def test_several_faults_are_one_text() -> None:
    both = Instant({}, {}, {}, {}, {}, ("a stuck on", "b stuck off"))
    assert both.fault == "a stuck on and b stuck off"
    assert instant(True).fault is None
