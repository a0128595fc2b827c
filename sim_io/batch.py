"""The closed loop in C, many scans at a time: the deployed controller with its parts.

The same controller.c that is deployed and explored, and the same part statements, run at
the real scan with choices drawn from a seeded generator (xorshift64*, Vigna 2016). Free
inputs change at random, each once in 64 scans on average: a clumsy operator, not a sensible
one. For looks and reasons use ``Simulation``; this is for millions of scans a second.

Not modelled: contact bounce, delays, faults.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from dataclasses import dataclass

from stillgate.controller.emit_c import (
    CWriter,
    c_name,
    c_type,
    cells_written,
    controller_locals,
    emit_controller,
)
from stillgate.controller.lowering import lower_controller
from stillgate.controller.machine import Contact, Machine
from stillgate.controller.program import Block, Choose
from stillgate.controller.toolchain import build_library

from .plant import Plant, lower_plant

_OPTIONS = ("-std=gnu11", "-O2", "-w")


@dataclass(frozen=True, slots=True)
class BatchResult:
    """What a batch of scans came to."""

    scans: int
    seed: int
    exits_taken: tuple[tuple[str, int], ...]  # how often each exit was taken
    scans_on: tuple[tuple[str, int], ...]  # scans in which each output was on
    states: tuple[tuple[str, str], ...]  # active state of each sequence at the end


class BatchSimulation:
    """A machine's closed loop compiled for this computer.

    Raises:
        ToolMissing: if there is no C compiler.
    """

    def __init__(self, machine: Machine) -> None:
        self.program = lower_controller(machine)
        source, header = emit_controller(self.program)
        writer = _Writer(machine, lower_plant(machine, machine.scan))
        files = {"controller.c": source, "controller.h": header, "batch.c": writer.text()}
        library = ctypes.CDLL(str(build_library(files, "batch.c", options=_OPTIONS)))
        self._run = library.sg_batch
        self._run.argtypes = [
            ctypes.c_uint64,
            ctypes.c_uint64,
            ctypes.c_void_p,
            ctypes.c_void_p,
            ctypes.c_void_p,
        ]

    def run(self, scans: int, *, seed: int = 0) -> BatchResult:
        """Runs a machine from power-on for a number of scans."""
        program = self.program
        taken = (ctypes.c_uint64 * max(1, len(program.exit_marks)))()
        on = (ctypes.c_uint64 * max(1, len(program.outputs)))()
        active = (ctypes.c_int32 * len(program.sequences))()
        self._run(scans, seed, taken, on, active)
        return BatchResult(
            scans=scans,
            seed=seed,
            exits_taken=tuple((name, taken[i]) for i, name in enumerate(program.exit_marks)),
            scans_on=tuple((output.name, on[i]) for i, output in enumerate(program.outputs)),
            states=tuple((s.name, s.states[active[i]]) for i, s in enumerate(program.sequences)),
        )


class _Writer:
    def __init__(self, machine: Machine, plant: Plant) -> None:
        self.machine = machine
        self.plant = plant
        self.program = lower_controller(machine)
        self.tables: dict[tuple[int, ...], str] = {}
        self.parts = set(plant.cells)
        controller = {*self.program.cells, *controller_locals(self.program)}
        self.free = [s for s in self.program.signals if s.name not in plant.circuits]
        self.writer = CWriter(
            place=lambda cell: f"s->{c_name(cell)}" if cell in controller else c_name(cell),
            note=lambda note: ";",
            choose=self._dice,
            table=lambda table: self.tables.setdefault(table, f"table{len(self.tables)}__"),
        )

    @staticmethod
    def _dice(choose: Choose) -> str:
        return f"dice(&random, {choose.count})"

    def text(self) -> str:
        name = self.program.name
        body = list(self._body())
        tables = [
            f"static const int32_t {label}[] = {{{', '.join(map(str, table))}}};"
            for table, label in self.tables.items()
        ]
        return "\n".join(
            [
                "#include <stdint.h>",
                "static uint64_t *taken__;",
                "#define SG_TAKEN(s, exit) (taken__[exit]++)",
                '#include "controller.h"',
                '#include "controller.c"',
                *tables,
                "static inline uint64_t draw(uint64_t *r)",
                "{",
                "    *r ^= *r >> 12; *r ^= *r << 25; *r ^= *r >> 27;",
                "    return *r * UINT64_C(2685821657736338717);",
                "}",
                "static inline unsigned dice(uint64_t *r, unsigned n)",
                "{",
                "    return (unsigned)((draw(r) >> 32) * n >> 32);",
                "}",
                "void sg_batch(uint64_t scans, uint64_t seed, uint64_t *taken, uint64_t *on,",
                "              int32_t *active)",
                "{",
                f"    {name}__state state, *s = &state;",
                "    uint64_t random = seed * UINT64_C(0x9E3779B97F4A7C15) + 88172645463325252u;",
                "    taken__ = taken;",
                f"    {name}__power_on(s);",
                *body,
                "}",
                "",
            ]
        )

    def _body(self) -> Iterator[str]:
        blocks: Block = (*self.plant.begin, *self.plant.conditions, *self.plant.moves)
        local = set(cells_written(blocks)) | set(self.plant.driven.values())
        for cell in sorted(local | self.parts, key=lambda cell: cell.name):
            yield f"    {c_type(cell)} {c_name(cell)} = {cell.start};"
        rest = sum(
            1 << i
            for i, signal in enumerate(self.free)
            if self.machine.inputs[signal.name].contact is Contact.NORMALLY_CLOSED
        )
        yield f"    uint64_t levels = {rest}u;"
        yield from self.writer.block(self.plant.begin)
        yield "    for (uint64_t scan = 0; scan < scans; scan++) {"
        yield from self._scan()
        yield "    }"
        for i, sequence in enumerate(self.program.sequences):
            yield f"    active[{i}] = s->{c_name(sequence.active)};"

    def _scan(self) -> Iterator[str]:
        if self.free:
            draws = " & ".join(["draw(&random)"] * 6)
            yield f"        levels ^= {draws};"
        for i, signal in enumerate(self.free):
            level = self._wired(f"levels >> {i % 64} & 1", signal.active_low)
            yield f"        sense_{signal.name}(s, {level});"
        for signal in self.program.signals:
            term = self.plant.circuits.get(signal.name)
            if term is not None:
                level = self._wired(self.writer.term(term), signal.active_low)
                yield f"        sense_{signal.name}(s, {level});"
        if self.program.observe:
            yield "        observe__(s);"
        for stage in self.program.stages:
            yield f"        {stage.name}(s);"
        for i, output in enumerate(self.program.outputs):
            yield f"        on[{i}] += s->{c_name(output.asked)};"
            yield f"        {c_name(self.plant.driven[output.name])} = s->{c_name(output.asked)};"
        yield from self.writer.block(self.plant.conditions, 2)
        yield from self.writer.block(self.plant.moves, 2)

    @staticmethod
    def _wired(level: str, active_low: bool) -> str:
        return f"(uint8_t)!({level})" if active_low else f"(uint8_t)({level})"
