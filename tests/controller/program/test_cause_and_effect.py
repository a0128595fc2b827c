"""Cause and effect: what is derived from the Program, held against the executive and against hand."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.cause_and_effect import (
    Cause,
    Effect,
    EffectRow,
    InputCause,
    StateCause,
    effects_of,
)
from stillgate.controller.reading.reader import read_machine, read_machine_text

from ...diagrams.gate import GATE, gate

MACHINES = Path(__file__).parents[3] / "machines"
PRESS = """\
machine: press
scan: 10 ms
inputs: {start: {from: operator}, stop_ok: {contact: normally_closed}, guard: {}, spare: {}}
outputs: {motor: {}, lamp: {}, never_used: {}}
sequences:
  main:
    start: idle
    overrides: [{when: not stop_ok, to: idle}]
    states:
      idle: {exits: [{when: start and guard, to: running}]}
      running: {on: [motor], exits: [{after: 50 ms, to: idle}]}
  light:
    start: dark
    states:
      dark: {exits: [{when: main.running, to: lit}]}
      lit: {on: [lamp], exits: [{when: main.idle, to: dark}]}
interlocks: [{hold_off: motor, unless: guard}]
"""


SMALL = ("gate", "press")


def words(row: EffectRow) -> dict[str, str]:
    return {name: ", ".join(sorted(effect.value for effect in effects)) for name, effects in row.items()}


def test_the_matrix_of_a_small_machine_is_the_one_worked_out_by_hand() -> None:
    """Stop drops the motor through the override, the guard holds it off, start is needed to begin."""
    effects = effects_of(read_machine_text(PRESS, "press.yaml").machine)
    assert {cause: words(row) for cause, row in effects.items() if row} == {
        InputCause("start", False): {"motor": "start blocked"},
        InputCause("stop_ok", False): {"motor": "stopped"},
        InputCause("guard", False): {"motor": "held off"},
        StateCause("main", "running"): {"motor": "asks"},
        StateCause("light", "lit"): {"lamp": "asks"},
    }


def demands(machine: Machine, executive: Executive) -> dict[str, bool]:
    """Whether an active state demands each output."""
    active = [machine.sequences[name].states[state] for name, state in executive.states.items() if state]
    return {output: any(output in state.on for state in active) for output in machine.outputs}


@pytest.mark.parametrize("name", ["gate", "press", "guarded_saw", "press_two_hand", "lavender_harvester"])
def test_no_effect_is_claimed_that_the_executive_does_not_show(name: str) -> None:
    """Random operation of the executive, which shares no code with the matrix but the lowering of terms."""
    machine = _machine(name)
    effects = effects_of(machine)
    executive = Executive(machine)
    chance = random.Random(7)
    seen_on: dict[str, set[str]] = {output: set() for output in machine.outputs}
    for _ in range(3000 if name in SMALL else 700):
        if chance.random() < 0.01:  # counters begin anew
            executive.power_off()
            executive.power_on()
        for signal in machine.inputs:
            if chance.random() < 0.15:
                executive.inputs[signal] = not executive.inputs[signal]
        demanded = demands(machine, executive)
        executive.scan()
        after = demands(machine, executive)
        for cause, row in effects.items():
            if isinstance(cause, InputCause):
                applies = executive.seen[cause.name] is cause.level
            else:
                applies = executive.states[cause.sequence] == cause.state
            for output, marks in row.items():
                if not applies:
                    continue
                on = executive.outputs[output]
                if marks & {Effect.INTERLOCKED, Effect.DROPPED}:
                    assert not on, (cause, output)
                if Effect.NO_START in marks:
                    assert demanded[output] or not on, (cause, output)
                if Effect.DEMANDS in marks:
                    assert isinstance(cause, StateCause)
                    assert output in machine.sequences[cause.sequence].states[cause.state].on
                if Effect.INTERLOCKED in marks and chance.random() < 0.01:
                    assert executive.why(output).held_off_by
                if Effect.DROPPED in marks:
                    assert not after[output]
        for output, on in executive.outputs.items():
            if on:
                seen_on[output] |= {f"{s} {v}" for s, v in executive.seen.items()}
    if name in SMALL:
        _assert_complete(machine, effects, seen_on)


def _assert_complete(machine: Machine, effects: dict[Cause, EffectRow], seen_on: dict[str, set[str]]) -> None:
    """In these two every input without a mark against an output was seen beside that output on."""
    for output in machine.outputs:
        if not seen_on[output]:
            continue
        for signal in machine.inputs:
            for level in (False, True):
                marks = effects[InputCause(signal, level)].get(output, frozenset())
                seen = f"{signal} {level}" in seen_on[output]
                assert seen or marks & {Effect.INTERLOCKED, Effect.DROPPED}, (signal, level, output)


def _machine(name: str) -> Machine:
    if name == "gate":
        return read_machine_text(GATE.replace("8 s", "80 ms").replace("10 s", "60 ms"), "gate.yaml").machine
    if name == "press":
        return read_machine_text(PRESS, "press.yaml").machine
    return read_machine(MACHINES / f"{name}.yaml").machine


def test_the_gate_is_stopped_by_its_interlock_and_its_override() -> None:
    effects = effects_of(gate())
    assert words(effects[InputCause("stop_ok", False)]) == {"motor_open": "stopped", "motor_shut": "stopped"}
    # not stopped: the ten seconds of waiting may run out in that very scan, and shutting is entered
    assert words(effects[InputCause("edge_clear", False)]) == {"motor_shut": "held off"}
    assert words(effects[InputCause("open_button", True)]) == {}
