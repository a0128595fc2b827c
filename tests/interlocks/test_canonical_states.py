"""What is dropped as dead is never asked for again, on random machines.

Two searches in plain Python, with dead values dropped and with every value kept, must say the same of
everything: what breaks, what is reached, which exits are taken, and at which least depth. The machines
are those in which memory matters (``REMEMBERING``): guards ask for what earlier exits wrote, counters are
written to counters of another range, and what leaves a range keeps the old value.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from machines_strategy import REMEMBERING, MachineDict, apart, machine_dicts
from python_search import Found, search
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program import footprint
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop

COUNT, AT_NIGHT = 80, 40
"""Machines at every run; chunks as large at night."""

MOST_STATES = 250
"""A machine with more stored states is left out: Python is slow."""


def drawn(chunk: int) -> list[MachineDict]:
    """Random machines, the same at every run; their requirements read no memory, so it may be dropped."""
    found = apart(machine_dicts(REMEMBERING), COUNT, first=1 + chunk * COUNT)
    for item in found:
        states = [f"{name}.{state}" for name, it in item["sequences"].items() for state in it["states"]]
        item["requirements"] = {
            **{f"never_{name}": {"never": name} for name in item["outputs"]},
            **{f"reach_{number}": {"reach": state} for number, state in enumerate(states)},
        }
    return found


@dataclass(frozen=True)
class Said:
    """Everything that a search says of a machine, but for the stored states themselves."""

    broken: dict[str, int]
    goals: dict[str, int]
    taken: dict[int, int]
    states: dict[tuple[int, ...], int]  # least depth of each combination of active states


def said(loop: ClosedLoop, found: Found) -> Said:
    active = {sequence.active for sequence in loop.controller.sequences}
    slots = [number for number, cell in enumerate(loop.key_cells) if cell in active]
    states: dict[tuple[int, ...], int] = {}
    for key, depth in found.depths.items():
        states.setdefault(tuple(key[slot] for slot in slots), depth)
    return Said(found.broken, found.goals, found.taken, states)


def agree(machine: Machine, faults: int) -> bool | None:
    """Whether dropping dead values made fewer states; None if the machine is too large.

    A difference in what is said is an AssertionError.
    """

    def loop(*, canonical: bool) -> ClosedLoop:
        return close_loop(machine, tick=machine.scan, faults=faults, canonical=canonical)

    try:
        raw = search(loop(canonical=False), MOST_STATES)
    except OverflowError:
        return None
    dropped = search(loop(canonical=True), 2 * MOST_STATES)
    assert said(loop(canonical=True), dropped) == said(loop(canonical=False), raw)
    return len(dropped.depths) < len(raw.depths)


def all_agree(chunk: int) -> None:
    found = [agree(Machine.model_validate(item), number % 2) for number, item in enumerate(drawn(chunk))]
    assert sum(item is not None for item in found) >= COUNT / 3, "enough of them are small"
    assert sum(item is True for item in found) >= COUNT / 10, "something is dropped"


def test_searches_with_and_without_dead_values_say_the_same_of_random_machines() -> None:
    all_agree(0)


def test_taking_what_leaves_a_range_as_overwritten_is_met(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mistake put back, which no random machine had met: too few of these would find nothing.

    Of those machines in which it changes what is dropped, some say something else then.
    """
    machines = [Machine.model_validate(item) for item in drawn(0)]
    right = [close_loop(machine, tick=machine.scan, faults=0).settle for machine in machines]
    monkeypatch.setattr(footprint, "may_leave_range", lambda cell, value: False)
    met = 0
    for number, machine in enumerate(machines):
        if close_loop(machine, tick=machine.scan, faults=0).settle == right[number]:
            continue
        try:
            agree(machine, number % 2)
        except AssertionError:
            met += 1
    assert met >= 2


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(1, AT_NIGHT))
def test_searches_with_and_without_dead_values_say_the_same_of_many_random_machines(chunk: int) -> None:
    all_agree(chunk)
