"""Many generated C controllers in one translation unit, so that one compile serves them all."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Sequence

from quick_compiler import quick_compiler
from stillgate.controller.c.emit_c import c_name, emit_controller
from stillgate.controller.c.toolchain import build_library
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import Cell

STATIC = re.compile(r"^static [\w ]+?\**(\w+)\(", re.MULTILINE)
OPTIONS = ("-std=c99", "-O0", "-w")


class OfMany:
    """The C controller of one machine; cells and levels as in ``NativeController``."""

    def __init__(self, program: ControllerProgram, library: ctypes.CDLL) -> None:
        self.program = program
        self._scan = getattr(library, f"{program.name}__call_scan")
        self._power_on = getattr(library, f"{program.name}__call_power_on")
        self._cells = (ctypes.c_int32 * max(1, len(program.cells)))()
        self._pins = (ctypes.c_uint8 * max(1, len(program.signals)))()
        self._index = {cell: index for index, cell in enumerate(program.cells)}
        self.power_on()

    def power_on(self) -> None:
        self._power_on(self._cells)

    def scan(self, pins: dict[str, bool]) -> None:
        for index, signal in enumerate(self.program.signals):
            self._pins[index] = int(pins[signal.name])
        self._scan(self._cells, self._pins)

    def value(self, cell: Cell) -> int:
        return int(self._cells[self._index[cell]])


def compiled(machines: Sequence[Machine]) -> list[OfMany]:
    """The controllers of some machines, whatever their names."""
    renamed = [
        machine.model_copy(update={"machine": f"one_of_many_{number}"})
        for number, machine in enumerate(machines)
    ]
    programs = [lower_controller(machine) for machine in renamed]
    files: dict[str, str] = {}
    lines: list[str] = []
    for program in programs:
        source, header = emit_controller(program)
        files[f"{program.name}.h"] = header
        files[f"{program.name}.c"] = source.replace('"controller.h"', f'"{program.name}.h"')
        own = STATIC.findall(source)  # each controller has functions of the same names
        lines += ["#undef SG_PERIOD_MS", *(f"#define {name} {program.name}__{name}" for name in own)]
        lines += [f'#include "{program.name}.c"', *(f"#undef {name}" for name in own), *_calls(program)]
    files["many.c"] = "\n".join([*lines, ""])
    built = build_library(files, "many.c", options=OPTIONS, compiler=quick_compiler())
    library = ctypes.CDLL(str(built))
    return [OfMany(program, library) for program in programs]


def _calls(program: ControllerProgram) -> list[str]:
    name = program.name
    stores = [f"cells[{i}] = s.{c_name(cell)};" for i, cell in enumerate(program.cells)]
    return [
        f"void {name}__call_power_on(int32_t *cells)",
        "{",
        f"{name}__state s; {name}__power_on(&s);",
        *stores,
        "}",
        f"void {name}__call_scan(int32_t *cells, const uint8_t *pins)",
        "{",
        f"{name}__state s; {name}__inputs in; {name}__outputs out;",
        f"{name}__power_on(&s);",
        *(f"s.{c_name(cell)} = cells[{i}];" for i, cell in enumerate(program.cells)),
        *(f"in.{c_name(signal.pin)} = pins[{i}];" for i, signal in enumerate(program.signals)),
        f"{name}__scan(&s, &in, &out);",
        *stores,
        "}",
    ]
