"""The deployed C controller as a Python object: compiled for this computer, scanned by scan."""

from __future__ import annotations

import ctypes

from ..machine_file.field_types import Milliseconds
from ..program.controller_program import ControllerProgram
from ..program.program import Cell
from .emit_c import c_name, emit_controller
from .toolchain import build_library

_OPTIONS = ("-std=c99", "-O1")


def _shim(program: ControllerProgram) -> str:
    name = program.name
    loads = [f"    s.{c_name(cell)} = cells[{i}];" for i, cell in enumerate(program.cells)]
    stores = [f"    cells[{i}] = s.{c_name(cell)};" for i, cell in enumerate(program.cells)]
    pins = [f"    in.{c_name(signal.pin)} = pins[{i}];" for i, signal in enumerate(program.signals)]
    outs = [f"    outs[{i}] = out.{output.name}__pin;" for i, output in enumerate(program.outputs)]
    return "\n".join(
        [
            '#include "controller.c"',
            "static int32_t *bounds_log;",
            "void sg_power_on(int32_t *cells)",
            "{",
            f"    {name}__state s;",
            f"    {name}__power_on(&s);",
            *stores,
            "}",
            "void sg_scan(int32_t *cells, const uint8_t *pins, uint8_t *outs)",
            "{",
            f"    {name}__state s; {name}__inputs in; {name}__outputs out;",
            f"    {name}__power_on(&s);",
            *loads,
            *pins,
            "    (void)pins; (void)outs; (void)bounds_log;",
            f"    {name}__scan(&s, &in, &out);",
            *outs,
            *stores,
            "}",
            "",
        ]
    )


class NativeController:
    """The C controller of a machine.

    ``cells`` are the persistent cells in the order of ``program.cells``.

    Raises:
        ToolMissing: if there is no C compiler.
    """

    def __init__(self, program: ControllerProgram, *, period: Milliseconds | None = None) -> None:
        self.program = program
        source, header = emit_controller(program)
        options = (*_OPTIONS, f"-DSG_PERIOD_MS={period or program.period}")
        files = {"controller.c": source, "controller.h": header, "shim.c": _shim(program)}
        library = ctypes.CDLL(str(build_library(files, "shim.c", options=options)))
        self._scan = library.sg_scan
        self._power_on = library.sg_power_on
        self._cells = (ctypes.c_int32 * max(1, len(program.cells)))()
        self._pins = (ctypes.c_uint8 * max(1, len(program.signals)))()
        self._outs = (ctypes.c_uint8 * max(1, len(program.outputs)))()
        self._index = {cell: index for index, cell in enumerate(program.cells)}
        self.power_on()

    def power_on(self) -> None:
        """A cold start."""
        self._power_on(self._cells)

    def scan(self, pins: dict[str, bool]) -> dict[str, bool]:
        """One scan on electrical levels at the terminals; returns the levels to write."""
        for index, signal in enumerate(self.program.signals):
            self._pins[index] = int(pins[signal.name])
        self._scan(self._cells, self._pins, self._outs)
        return {output.name: bool(self._outs[i]) for i, output in enumerate(self.program.outputs)}

    def value(self, cell: Cell) -> int:
        """Value of a persistent cell after the last scan."""
        return int(self._cells[self._index[cell]])
