"""Disturbances: every line is read as it is written, and what cannot be meant is refused at its place."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines_strategy import machines
from stillgate.controller.errors import TextError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.faults.disturbances import (
    Disturbance,
    DisturbanceKind,
    contradict,
    disturbances_of,
    parse_disturbance,
    parse_disturbances,
)

PRESS = read_machine_text(
    """\
machine: press
scan: 20 ms
inputs: {start: {from: operator}, guard: {}, still: {}}
outputs: {motor: {}, brake: {}}
sequences:
  main:
    start: idle
    states:
      idle: {on: [motor, brake], exits: [{when: start and guard and still, to: idle}]}
check: {exclude: [{fault: brake stuck on, why: drawn by a spring}]}
"""
).machine


@st.composite
def lines(draw: st.DrawFn, machine: Machine) -> Disturbance:
    """Any disturbance of a machine with any lengths."""
    item = draw(st.sampled_from(disturbances_of(machine)))
    time = draw(st.integers(1, 10**7)) if item.time else 0
    every = 0
    if item.kind in (DisturbanceKind.POWER_DIP, DisturbanceKind.OVERRUN) and draw(st.booleans()):
        every = time + draw(st.integers(1, 10**7))
    bounces = item.kind is DisturbanceKind.BOUNCE
    drops = item.kind is DisturbanceKind.INTERMITTENT
    return Disturbance(
        item.kind,
        item.subjects,
        time,
        draw(st.integers(0, 100)) if bounces else item.returns,
        draw(st.integers(1, 10**6)) if drops else item.longest,
        every,
    )


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a loaded computer draws slowly
@given(st.data(), machines())
def test_every_disturbance_is_read_back_from_its_name(data: st.DataObject, machine: Machine) -> None:
    for item in disturbances_of(machine):
        assert parse_disturbance(item.name, machine) == item
    item = data.draw(lines(machine))
    assert parse_disturbance(f"  {item.name} ", machine) == item


@given(st.text(max_size=40), st.text("stuckonfpwer 0123.ms", max_size=40))
def test_any_other_text_is_refused_within_the_text(one: str, other: str) -> None:
    for text in (one, other, f"start {other}", f"power dip {other}"):
        try:
            parse_disturbance(text, PRESS)
        except TextError as error:
            assert 0 <= error.start < max(1, len(text))
            assert error.start < error.end <= max(1, len(text))


@pytest.mark.parametrize(
    ("text", "said", "hint", "part"),
    [
        ("strat stuck on", "there is no input or output 'strat'", "did you mean 'start'?", "strat"),
        ("start bounces 10", "'10' is a number without a unit", "say '10 ms' or '10 s'", "10"),
        ("start slow 1 s", "'start' is an input, and only outputs can be said to be 'slow'", "", "start"),
        ("motor bounces 1 ms", "'motor' is an output, and only inputs", "", "motor"),
        ("start swapped with motor", "an input cannot be swapped with an output", "one sort", "motor"),
        ("start swapped with start", "a wire cannot be swapped with itself", "", "start"),
        ("start stuck", "'start stuck' is not a disturbance", "say for example 'start stuck on'", None),
        ("start intermitent 3 s", "is not a disturbance", "'start intermittent 20 s'", None),
        ("power dip 3 s every 2 s", "cannot come every 2 s", "say 'every 30 s'", "2 s"),
        ("start bounces 5 ms 101 times", "goes back at most 100 times", "", "101"),
        ("start intermittent 0 s", "a time of 0 disturbs nothing", "", "0 s"),
    ],
)
def test_what_cannot_be_meant_is_refused_at_its_place(
    text: str, said: str, hint: str, part: str | None
) -> None:
    with pytest.raises(TextError) as caught:
        parse_disturbance(text, PRESS)
    assert said in caught.value.message
    assert hint in caught.value.hint
    if part is not None:
        assert text[caught.value.start : caught.value.end] == part


def test_the_list_leaves_out_what_the_file_excludes() -> None:
    names = [item.name for item in disturbances_of(PRESS)]
    assert "brake stuck off" in names
    assert "brake stuck on" not in names
    assert len(names) == len(set(names))


def test_two_that_contradict_each_other_cannot_be_there_together() -> None:
    with pytest.raises(TextError, match="'start stuck off' and 'start stuck on' cannot be there together"):
        parse_disturbances(["start stuck on", "start stuck off"], PRESS)
    both = parse_disturbances(["start stuck on", "guard stuck off", "start stuck on"], PRESS)
    assert [item.name for item in both] == ["start stuck on", "guard stuck off"]
    assert not contradict(both[0], both[1])
    swapped = [
        Disturbance(DisturbanceKind.SWAPPED, pair) for pair in (("start", "guard"), ("guard", "still"))
    ]
    assert contradict(*swapped)
