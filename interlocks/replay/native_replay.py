"""The deployed C controller fed with recorded inputs, many scans a call, with its requirements judged.

A call runs scans with inputs that stay as they are, and comes back after the first scan that
changes anything a person would see: a state, a memory, an output, a requirement newly broken.
So a log of hours costs as many calls as there are changes in it. Once a scan leaves everything
as it was, timers included, all that follow do the same and are skipped: a pause of months, or a
clock that was set meanwhile, costs no more than a minute.

What a log cannot hold is taken to be healthy: an input's circuit is what reached the
terminal, an output's valve does what it is asked. Requirements that read parts are left out.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator, Mapping
from typing import Any

from stillgate.controller.c.emit_c import (
    CWriter,
    c_name,
    c_type,
    controller_locals,
    emit_controller,
    level_macros,
)
from stillgate.controller.c.toolchain import build_library
from stillgate.controller.expressions.expression import Name, walk
from stillgate.controller.machine_file.machine import Machine, Requirement
from stillgate.controller.program.footprint import cells_read, cells_written
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    Note,
    NoteKind,
    Ref,
    Scope,
    Statement,
)
from stillgate.controller.rules.namespace import Context, Namespace, PartTruthRef
from stillgate.sim_io.parts.plant import lower_plant

from ..requirements.monitors import lower_monitors
from ..requirements.requirement_lowering import conditions_of
from ..simulated_runs.requirement_watch import watched

_LOOK_EVERY = 64
"""Scans between two looks whether anything still moves."""

_OPTIONS = ("-std=gnu11", "-O1", "-w")


def parts_read_by(machine: Machine, requirement: Requirement) -> tuple[str, ...]:
    """The parts whose truths a requirement reads."""
    names = Namespace(machine)
    found: dict[str, None] = {}
    for condition in conditions_of(requirement):
        for node in walk(condition.tree):
            if isinstance(node, Name):
                item = names.resolve(node.path, Context.REQUIREMENT)
                if isinstance(item, PartTruthRef):
                    found[item.part] = None
    return tuple(found)


class LogController:
    """A machine's controller with the requirements that a log can judge.

    Attributes:
        program: the lowered controller.
        judged: the requirements that are judged.
        unjudged: those that no log can judge, with the parts they read.
        visible: cells whose changes end a call: active states, memory, what is asked of outputs.

    Raises:
        ToolMissing: if there is no C compiler.
    """

    def __init__(self, machine: Machine) -> None:
        self.program = lower_controller(machine)
        program = self.program
        reads = {name: parts_read_by(machine, item) for name, item in watched(machine).items()}
        self.judged = tuple(name for name, parts in reads.items() if not parts)
        self.unjudged = tuple((name, parts) for name, parts in reads.items() if parts)
        self.visible: tuple[Cell, ...] = (
            *(item.active for item in program.sequences),
            *program.memory,
            *(item.asked for item in program.outputs),
        )
        source = _Source(machine, program, self.judged, self.visible)
        counters = [f"{program.memory[cell]} in its bounds" for cell, _ in program.bounds_marks]
        self.broken_names = (*counters, *source.monitored)
        library = ctypes.CDLL(str(build_library(source.files(), "log.c", options=_OPTIONS)))
        self._run: Any = library.sg_log_run
        self._run.restype = ctypes.c_int64
        self._power: Any = library.sg_log_power
        self._cells_of: Any = library.sg_log_cells
        self._settle: Any = library.sg_log_settle
        library.sg_log_size.restype = ctypes.c_uint64
        self._loop = ctypes.create_string_buffer(library.sg_log_size())
        self._names = tuple(signal.name for signal in program.signals)
        self._pins = (ctypes.c_uint8 * len(program.signals))()
        self._visible = (ctypes.c_int32 * max(1, len(self.visible)))()
        self._taken = (ctypes.c_int32 * max(1, len(program.exit_marks)))()
        self._count = ctypes.c_int32(0)
        self._broken = (ctypes.c_uint64 * source.words)()
        library.sg_log_begin(self._loop)

    def power(self, *, on: bool) -> None:
        """Takes power away, or gives it back with a cold start."""
        self._power(self._loop, ctypes.c_int(on))

    def run(self, levels: Mapping[str, int], scans: int) -> int:
        """Runs up to ``scans`` scans on the levels of the circuits at the terminals.

        Returns:
            How many were run; the last of them is the one that changed something, if any did.
        """
        self._pins[:] = list(map(levels.__getitem__, self._names))
        return int(
            self._run(
                self._loop, self._pins, ctypes.c_int64(scans), self._visible, self._taken,
                ctypes.byref(self._count), self._broken,
            )
        )  # fmt: skip

    @property
    def values(self) -> tuple[int, ...]:
        """Values of ``visible`` after the last scan."""
        return tuple(self._visible[: len(self.visible)])

    @property
    def taken(self) -> tuple[int, ...]:
        """Marks of the exits that the last scan took."""
        return tuple(self._taken[: self._count.value])

    @property
    def newly_broken(self) -> tuple[str, ...]:
        """What the last scan broke and the one before it did not."""
        if not any(self._broken):
            return ()
        return tuple(
            name for i, name in enumerate(self.broken_names) if self._broken[i // 64] >> (i % 64) & 1
        )

    def snapshot(self) -> bytes:
        """All that the controller and its requirements remember; equal for runs that go on alike."""
        self._settle(self._loop)
        return self._loop.raw

    def restore(self, memory: bytes) -> None:
        """Goes back to a snapshot."""
        ctypes.memmove(self._loop, memory, len(memory))

    def cells(self) -> tuple[int, ...]:
        """Values of ``program.cells``: all that the controller remembers."""
        found = (ctypes.c_int32 * max(1, len(self.program.cells)))()
        self._cells_of(self._loop, found)
        return tuple(found[: len(self.program.cells)])


class _Source:
    """Writes the C around the controller."""

    def __init__(
        self, machine: Machine, program: Any, judged: tuple[str, ...], visible: tuple[Cell, ...]
    ) -> None:
        self.program, self.visible = program, visible
        plant = lower_plant(machine, machine.scan)
        self.circuits = {
            name: Cell(f"{name}.circuit", 0, 1, 0, Scope.PART, persistent=False) for name in machine.inputs
        }
        monitors = lower_monitors(
            machine, program, plant, self.circuits, machine.scan, triggers=False, judged=judged
        )
        self.monitored = monitors.broken
        drive: list[Statement] = [
            Assign(plant.driven[item.name], Ref(item.asked)) for item in program.outputs
        ]
        self.block: Block = (*drive, *monitors.block)
        self.controller = {*program.cells, *controller_locals(program)}
        read = cells_read(self.block)
        own = {*self.circuits.values(), *monitors.cells, *cells_written(self.block), *read}
        self.own = sorted(own - self.controller, key=lambda cell: cell.name)
        self.names = len(program.bounds_marks) + len(monitors.broken)
        self.words = max(1, -(-self.names // 64))
        self.tables: dict[tuple[int, ...], str] = {}
        self.writer = CWriter(
            place=lambda cell: f"s->{c_name(cell)}" if cell in self.controller else f"l->{c_name(cell)}",
            note=_broken,
            choose=lambda choose: _never(),
            table=lambda table: self.tables.setdefault(table, f"table{len(self.tables)}__"),
        )

    def files(self) -> dict[str, str]:
        source, header = emit_controller(self.program)
        body = list(self._functions())
        tables = [
            f"static const int32_t {label}[] = {{{', '.join(map(str, table))}}};"
            for table, label in self.tables.items()
        ]
        text = "\n".join([*self._preamble(), *tables, *body, ""])
        return {"controller.c": source, "controller.h": header, "log.c": text}

    def _preamble(self) -> Iterator[str]:
        exits = max(1, len(self.program.exit_marks))
        yield from (
            "#include <stdint.h>",
            "#include <string.h>",
            '#include "controller.h"',
            "typedef struct {",
        )
        yield f"    {self.program.name}__state state;"
        yield f"    int32_t count, taken[{exits}]; uint8_t dark;"
        yield f"    uint64_t broken[{self.words}], before[{self.words}];"
        yield from (f"    {c_type(cell)} {c_name(cell)};" for cell in self.own)
        yield "} log__;"
        yield "#define SG_TAKEN(s, exit) (((log__ *)(s))->taken[((log__ *)(s))->count++] = (exit))"
        yield "#define BREAK(l, n) ((l)->broken[(n) / 64] |= UINT64_C(1) << ((n) % 64))"
        yield "#define SG_BOUNDS(s, n) BREAK((log__ *)(s), n)"
        yield '#include "controller.c"'
        yield from level_macros(self.program)

    def _functions(self) -> Iterator[str]:
        name, program = self.program.name, self.program
        yield "uint64_t sg_log_size(void) { return sizeof(log__); }"
        yield "void sg_log_begin(log__ *l)"
        yield "{"
        yield "    memset(l, 0, sizeof *l);"
        yield f"    {name}__power_on(&l->state);"
        yield from (f"    l->{c_name(cell)} = {cell.start};" for cell in self.own)
        yield "}"
        yield "void sg_log_settle(log__ *l)"
        yield "{"
        yield "    l->count = 0; memset(l->taken, 0, sizeof l->taken);"
        yield "    memset(l->broken, 0, sizeof l->broken);"
        yield "}"
        yield "void sg_log_power(log__ *l, int on)"
        yield "{"
        yield f"    {name}__state *s = &l->state;"
        yield f"    if (l->dark == !on) return; l->dark = !on; {name}__power_on(s);"
        yield "    if (on) return;"
        yield from (f"    s->{c_name(item.active)} = {len(item.states)};" for item in program.sequences)
        yield "}"
        yield "void sg_log_cells(const log__ *l, int32_t *cells)"
        yield "{"
        yield from (f"    cells[{i}] = l->state.{c_name(cell)};" for i, cell in enumerate(program.cells))
        yield "}"
        yield "int64_t sg_log_run(log__ *l, const uint8_t *pins, int64_t scans, int32_t *seen,"
        yield "                   int32_t *taken, int32_t *count, uint64_t *broken)"
        yield "{"
        yield f"    {name}__state *s = &l->state;"
        yield "    int64_t done = 0; int changed = 0; uint64_t fresh = 0; log__ was;"
        yield "    while (done < scans && !changed) {"
        yield f"        if (done % {_LOOK_EVERY} == 0) was = *l;"
        yield "        l->count = 0; fresh = 0; memset(l->broken, 0, sizeof l->broken);"
        for i, cell in enumerate(self.visible):
            yield f"        int32_t v{i} = s->{c_name(cell)};"
        for i, signal in enumerate(program.signals):
            yield f"        l->{c_name(self.circuits[signal.name])} = pins[{i}];"
        yield "        if (!l->dark) {"
        for i, signal in enumerate(program.signals):
            pin = f"!pins[{i}]" if signal.active_low else f"pins[{i}]"
            yield f"            sense_{signal.name}(s, {pin});"
        if program.observe:
            yield "            observe__(s);"
        yield from (f"            {stage.name}(s);" for stage in program.stages)
        yield "        }"
        yield from self.writer.block(self.block, 2)
        yield f"        for (int i = 0; i < {self.words}; i++) {{"
        yield "            broken[i] = l->broken[i] & ~l->before[i]; fresh |= broken[i];"
        yield "            l->before[i] = l->broken[i];"
        yield "        }"
        yield "        done++;"
        same = [f"v{i} != s->{c_name(cell)}" for i, cell in enumerate(self.visible)]
        yield f"        changed = {' || '.join(['fresh != 0', 'l->count', *same])};"
        yield f"        if (done % {_LOOK_EVERY} == 1 && !changed && !memcmp(&was, l, sizeof was))"
        yield "            done = scans;"
        yield "    }"
        yield from (f"    seen[{i}] = s->{c_name(cell)};" for i, cell in enumerate(self.visible))
        yield "    for (int i = 0; i < l->count; i++) taken[i] = l->taken[i];"
        yield "    *count = l->count;"
        yield "    return done;"
        yield "}"


def _broken(note: Note) -> str:
    return f"BREAK(l, {note.index});" if note.kind is NoteKind.BROKEN else ";"


def _never() -> str:
    raise AssertionError("a controller and its monitors choose nothing")
