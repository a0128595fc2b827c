"""Lowering keeps the meaning of a machine file: every implementation agrees with the oracle."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from backends import (
    HAS_COMPILER,
    PYTHON_BACKENDS,
    Backend,
    ExecutiveBackend,
    NativeBackend,
    OracleBackend,
)
from machines_strategy import machines, runs
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import Assign, Cell, statements_in

NO_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)  # every attempt would call the compiler
SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]


def lockstep(
    machine: Machine, steps: list[dict[str, bool] | str], backends: tuple[type[Backend], ...]
) -> None:
    """Runs backends side by side and compares all that can be seen, at every scan."""
    running = [backend(machine) for backend in backends]
    for number, step in enumerate([dict.fromkeys(machine.inputs, False), *steps]):
        for item in running:
            if step == "off":
                item.power_off()
            elif step == "on":
                item.power_on()
            else:
                assert not isinstance(step, str)
                item.scan(step)
        first = running[0]
        for item in running[1:]:
            where = f"{type(item).__name__} against {type(first).__name__} at step {number}, {step}"
            assert item.states() == first.states(), where
            assert item.memory() == first.memory(), where
            assert item.outputs() == first.outputs(), where
            if item.left_bounds() is not None:
                assert item.left_bounds() == first.left_bounds(), where


@settings(max_examples=75, deadline=None, suppress_health_check=SLOW)
@given(st.data())
def test_oracle_executive_and_evaluator_agree_at_every_scan(data: Any) -> None:
    """On states, memory, outputs and counters out of bounds, loss of power included."""
    agree_in_python(data)


@pytest.mark.night
@settings(max_examples=2000, deadline=None, suppress_health_check=SLOW)
@given(st.data())
def test_oracle_executive_and_evaluator_agree_on_many_machines(data: Any) -> None:
    agree_in_python(data)


def agree_in_python(data: Any) -> None:
    machine = data.draw(machines())
    lockstep(machine, data.draw(runs(machine)), PYTHON_BACKENDS)


@pytest.mark.skipif(not HAS_COMPILER, reason="no C compiler and no ziglang")
@settings(max_examples=25, deadline=None, suppress_health_check=SLOW, phases=NO_SHRINKING)
@given(st.data())
def test_the_c_controller_agrees_with_oracle_and_executive_at_every_scan(data: Any) -> None:
    """The C that is deployed means what the file says."""
    machine = data.draw(machines())
    steps = data.draw(runs(machine)) + data.draw(runs(machine))
    lockstep(machine, steps, (OracleBackend, ExecutiveBackend, NativeBackend))


def test_two_exits_that_reach_differently_far_out_of_bounds_share_one_cell() -> None:
    """Once each exit had its own cell of the same name, which C refused as a duplicate member."""
    exits = [{"when": f"x = {step}", "to": "a", "do": {"n": f"n + {step}"}} for step in (1, 2)]
    machine = Machine.model_validate(
        {
            "machine": "m",
            "scan": "10 ms",
            "memory": {"n": {"range": "0..1", "start": 0}, "x": {"range": "0..2", "start": 0}},
            "sequences": {"s": {"start": "a", "states": {"a": {"exits": exits}}}},
        }
    )
    program = lower_controller(machine)
    names = [cell.name for cell in cells_of(program)]
    assert len(names) == len(set(names))


def cells_of(program: ControllerProgram) -> set[Cell]:
    """Every cell a program writes or keeps."""
    blocks = [*(signal.sense for signal in program.signals), program.observe, program.decide]
    written = {item.cell for block in blocks for item in statements_in(block) if isinstance(item, Assign)}
    return written | set(program.cells)


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW)
@given(machines())
def test_no_two_cells_of_a_program_share_a_name(machine: Machine) -> None:
    """Names of cells become names in C."""
    names = [cell.name for cell in cells_of(lower_controller(machine))]
    assert len(names) == len(set(names))


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW)
@given(machines(), st.sampled_from((10, 20, 100)))
def test_the_statements_do_not_depend_on_the_period(machine: Machine, period: int) -> None:
    """One program text serves every period: only ranges of time-counting cells may differ."""

    def shape(program: ControllerProgram) -> str:
        return re.sub(r"high=\d+", "high", repr((program.observe, program.decide)))

    assert shape(lower_controller(machine)) == shape(lower_controller(machine, period=period))
