"""Ticks cut into pieces end where ticks run as one do, and what a piece reads is all that it depends on."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import GATE, quick
from engine import quick_build
from machines_strategy import machine_text
from plants_strategy import closed_machine_dicts
from stillgate.controller.effort import Effort
from stillgate.controller.errors import UsageError
from stillgate.controller.program.evaluate import BlockCompiler
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.certificates import certify as certificate_maker
from stillgate.interlocks.certificates import step_slices as step_pieces
from stillgate.interlocks.certificates.certificate_file import Certificate
from stillgate.interlocks.certificates.certify import certificate_loop, states_certificate
from stillgate.interlocks.certificates.free_input_reference import DARK
from stillgate.interlocks.certificates.states_recheck import _Checker
from stillgate.interlocks.certificates.step_slices import SlicePairs, choices_of, links


def made(document: MachineDocument, faults: int) -> tuple[_Checker, Certificate]:
    tick = document.machine.check.tick or document.machine.scan
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(certificate_maker, "build_checker", quick_build)
        certificate = states_certificate(document, tick=tick, faults=faults, effort=Effort(threads=1))
    return _Checker(certificate_loop(document.machine, tick, faults), certificate), certificate


def plainly(checker: _Checker, state: tuple[int, ...]) -> tuple[set[Any], set[int]]:
    """Ends of a tick and what breaks in it: every statement is run once for each combination of choices."""
    loop, host, layout = checker.loop, checker.host, checker.layout
    run = BlockCompiler(layout, loop.tick, host).block
    before, sense = run(loop.before), [run(signal.sense) for signal in loop.sensed]
    controller = [run(loop.controller.observe), run(loop.controller.decide)]
    rest = [run(block) for block in (loop.after, loop.settle, loop.moves)]
    found: set[Any] = set()
    broken: set[int] = set()
    for _ in host.combinations():
        values = layout.start_values()
        for cell, value in zip(loop.key_cells, state, strict=True):
            values[layout.slot(cell)] = value
        before(values)
        fault, dark = values[layout.slot(loop.fault)], values[layout.slot(loop.dark)]
        for name, item in checker.inputs.items():
            pairs = frozenset((memory, now) for memory in checker._memories(state, name) for now in (0, 1))
            mode = checker._mode(fault, dark, item.item)
            assert (mode == DARK) == bool(dark)
            host.left[name] = SlicePairs(mode, pairs)
        for signal in loop.sensed if dark else ():
            for cell in (signal.level, signal.was):
                if cell is not None:
                    values[layout.slot(cell)] = 0
        for code in rest if dark else (*sense, *controller, *rest):
            code(values)
        goals = [values[layout.slot(key)] for key in checker.lit.ends[len(loop.key_cells) : checker.links_at]]
        ends = (links(item, host.left[name]) for name, item in checker.inputs.items())
        found.add((*(values[slot] for slot in checker.slots), *goals, *ends))
        broken |= host.broken
    return found, broken


def compare(document: MachineDocument, faults: int, count: int) -> None:
    checker, certificate = made(document, faults)
    checker.held = {}
    for state in certificate.states[:: 1 + len(certificate.states) // count]:
        seen: set[int] = set()
        checker._note = lambda _, broken, __, seen=seen: seen.update(broken)  # type: ignore[method-assign, misc]
        ends = checker.tick(state)
        assert (set(ends), seen) == plainly(checker, state)


@pytest.mark.parametrize("most", [0, 6, 1000])
@pytest.mark.parametrize("faults", [0, 1])
def test_the_gate_ticks_alike_in_pieces_of_any_size(
    faults: int, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(step_pieces, "MOST_READ", most)
    text = GATE + "  one_place: {never: asked.motor_shut and gate.resting}\n"
    text += "  can_wait: {from_anywhere: gate.waiting}\n"
    compare(read_machine_text(text, "gate.yaml"), faults, 40)


@quick(4)
@given(machine=closed_machine_dicts(), faults=st.integers(0, 1))
def test_random_machines_tick_alike_in_pieces(machine: dict[str, Any], faults: int) -> None:
    try:
        compare(read_machine_text(machine_text(machine), "random.yaml"), faults, 25)
    except UsageError:  # nothing holds: no certificate
        return


@pytest.mark.night
@quick(300)
@given(machine=closed_machine_dicts(), faults=st.integers(0, 1))
def test_many_random_machines_tick_alike_in_pieces(machine: dict[str, Any], faults: int) -> None:
    try:
        compare(read_machine_text(machine_text(machine), "random.yaml"), faults, 100)
    except UsageError:
        return


def test_the_choices_of_a_course_are_told_in_order() -> None:
    assert choices_of(None) == ()
    assert choices_of(((None, (("a", 0), ("b", 1))), (("c", 2),))) == (("a", 0), ("b", 1), ("c", 2))
