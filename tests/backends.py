"""One adapter an implementation of the controller, so that one suite of tests fits them all.

Adding a backend: write an adapter with the methods of ``Backend`` and append it to
``BACKENDS``; every lockstep and published test then runs on it.
"""

from __future__ import annotations

import os
import shlex
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from importlib.util import find_spec
from typing import Protocol

import pytest

from oracle import Oracle
from stillgate.controller.c.native import NativeController
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import Level, Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values, answer_from_cells
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import Cell, NoteKind, Observation


class Backend(Protocol):
    """A running controller, driven and read electrically, power on at the start."""

    def __init__(self, machine: Machine) -> None: ...

    def scan(self, pins: Mapping[str, bool]) -> None:
        """One scan on the levels at the input terminals."""

    def power_off(self) -> None: ...

    def power_on(self) -> None: ...

    def states(self) -> dict[str, str | None]:
        """Active states; None while power is off."""

    def outputs(self) -> dict[str, bool]:
        """What is asked of every output."""

    def memory(self) -> dict[str, int]: ...

    def left_bounds(self) -> list[str] | None:
        """Counters that the last scan was asked to move out of bounds; None: cannot tell."""


class OracleBackend:
    """The interpreter of the models."""

    def __init__(self, machine: Machine) -> None:
        self._oracle = Oracle(machine)
        self.scan = self._oracle.scan
        self.power_off, self.power_on = self._oracle.power_off, self._oracle.power_on

    def states(self) -> dict[str, str | None]:
        return dict(self._oracle.states)

    def outputs(self) -> dict[str, bool]:
        return dict(self._oracle.outputs)

    def memory(self) -> dict[str, int]:
        return dict(self._oracle.memory)

    def left_bounds(self) -> list[str] | None:
        return sorted(self._oracle.left_bounds)


class ExecutiveBackend:
    """The reference controller; circuits are recovered from pins here, as wiring would."""

    def __init__(self, machine: Machine) -> None:
        self.executive = Executive(machine)
        self._low = {name for name, item in machine.inputs.items() if item.active is Level.LOW}
        self.power_off, self.power_on = self.executive.power_off, self.executive.power_on

    def scan(self, pins: Mapping[str, bool]) -> None:
        self.executive.inputs.update({name: pins[name] ^ (name in self._low) for name in pins})
        self.executive.scan()

    def states(self) -> dict[str, str | None]:
        return dict(self.executive.states)

    def outputs(self) -> dict[str, bool]:
        return dict(self.executive.outputs)

    def memory(self) -> dict[str, int]:
        return dict(self.executive.memory)

    def left_bounds(self) -> list[str] | None:
        return sorted(self.executive.left_bounds)


class _Lowered:
    """What backends that run the step program share."""

    program: ControllerProgram
    value: Callable[[Cell], int]
    powered = True

    def states(self) -> dict[str, str | None]:
        return {
            item.name: item.states[self.value(item.active)] if self.powered else None
            for item in self.program.sequences
        }

    def outputs(self) -> dict[str, bool]:
        return {item.name: bool(self.value(item.asked)) and self.powered for item in self.program.outputs}

    def memory(self) -> dict[str, int]:
        return {name: self.value(cell) for cell, name in self.program.memory.items()}


class EvaluatorBackend(_Lowered):
    """The lowered blocks sense, observe and decide, run by the Python evaluator."""

    def __init__(self, machine: Machine) -> None:
        self.program = program = lower_controller(machine)
        layout = Layout(program.cells)
        self._answers = {signal.name: answer_from_cells(signal, layout) for signal in program.signals}
        compiler = BlockCompiler(layout, machine.scan, self)
        senses = [compiler.block(signal.sense) for signal in program.signals]
        self._blocks = [*senses, compiler.block(program.observe), compiler.block(program.decide)]
        self._layout = layout
        self._pins = {signal.name: layout.slot(signal.pin) for signal in program.signals}
        self._broken: list[int] = []
        self._values: Values = layout.start_values()

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        return self._answers[signal](values, observation, ticks)

    def choose(self, cell: Cell, count: int) -> int:
        raise AssertionError("a controller makes no choices")

    def note(self, kind: NoteKind, index: int) -> None:
        if kind is NoteKind.BROKEN:
            self._broken.append(index)

    def scan(self, pins: Mapping[str, bool]) -> None:
        self._broken = []
        if not self.powered:
            return
        for name, slot in self._pins.items():
            self._values[slot] = int(pins[name])
        for block in self._blocks:
            block(self._values)

    def power_off(self) -> None:
        self.powered = False
        self._values = self._layout.start_values()
        self._broken = []

    def power_on(self) -> None:
        self.power_off()
        self.powered = True

    def value(self, cell: Cell) -> int:
        return self._values[self._layout.slot(cell)]

    def left_bounds(self) -> list[str] | None:
        names = {index: self.program.memory[cell] for cell, index in self.program.bounds_marks}
        return sorted(names[index] for index in self._broken)


class NativeBackend(_Lowered):
    """The C controller, compiled for this computer."""

    def __init__(self, machine: Machine) -> None:
        self.program = lower_controller(machine)
        self._native = NativeController(self.program)
        self.value = self._native.value
        self.levels: dict[str, bool] = {}

    def scan(self, pins: Mapping[str, bool]) -> None:
        if self.powered:
            self.levels = self._native.scan(dict(pins))

    def power_off(self) -> None:
        self.powered = False
        self._native.power_on()

    def power_on(self) -> None:
        self._native.power_on()
        self.powered = True

    def left_bounds(self) -> list[str] | None:
        return None


PYTHON_BACKENDS: tuple[type[Backend], ...] = (OracleBackend, ExecutiveBackend, EvaluatorBackend)
BACKENDS: tuple[type[Backend], ...] = (*PYTHON_BACKENDS, NativeBackend)


def _compilers() -> dict[str, tuple[str, ...]]:
    """Commands of every C compiler found here: what is deployed has to pass them all."""
    paths = {name: shutil.which(name) for name in ("clang", "gcc")}
    found: dict[str, tuple[str, ...]] = {name: (path,) for name, path in paths.items() if path is not None}
    chosen = os.environ.get("CC")
    if chosen and shutil.which(shlex.split(chosen)[0]):
        found["CC"] = tuple(shlex.split(chosen))
    if find_spec("ziglang"):
        found["ziglang"] = (sys.executable, "-m", "ziglang", "cc")
    return found


COMPILERS = _compilers()
"""By name. ``$CC`` is one of its own, so that a build machine can name any other."""

HAS_COMPILER = bool(COMPILERS)


def every_backend() -> pytest.MarkDecorator:
    """Runs a test with ``backend`` being each implementation in turn."""
    needs_compiler = pytest.mark.skipif(not HAS_COMPILER, reason="no C compiler and no ziglang")
    native = pytest.param(NativeBackend, id="c", marks=needs_compiler)
    plain = [pytest.param(item, id=item.__name__.removesuffix("Backend").lower()) for item in PYTHON_BACKENDS]
    return pytest.mark.parametrize("backend", [*plain, native])


def trace(
    backend: type[Backend], machine: Machine, steps: list[dict[str, bool]]
) -> Iterator[tuple[dict[str, str | None], dict[str, bool], dict[str, int]]]:
    """States, outputs and memory after each of some scans."""
    running = backend(machine)
    for pins in steps:
        running.scan(pins)
        yield running.states(), running.outputs(), running.memory()
