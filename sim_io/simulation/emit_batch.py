"""Writes a machine's closed loop as C: the deployed controller with the statements of its surroundings.

The same controller.c that is deployed and explored, and the very statements that the Python
simulation runs, in the same order and with the same draws; tests hold the two against each
other scan by scan. One function runs a shift from power-on under an operator or a list of
events::

    events or operator ─► circuits ─► switches ─► power, scan ─► as driven ─► judged ─► parts move

What is judged is handed in by whoever judges, as statements that note what is broken.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillgate.controller.c.emit_c import (
    CWriter,
    c_name,
    c_type,
    controller_locals,
    emit_controller,
    level_macros,
)
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.footprint import cells_written
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import Block, Cell, Choose, Note, NoteKind, Scope, Term

from ..faults.disturbances import Disturbance
from .batch_program import Judging, LoopSource, kind_number
from .environment import surround
from .operators import OperatorKind
from .seeded_choices import DRAWS_IN_C, GAMMA, choice_in_c, key_of, one_name_a_choice

MISHAP_ORDERS = 14
"""A mishap begins within 2, 4, 8 ... or 2 to the 14th scans of a shift, each as likely."""

ARGUMENTS = (
    "uint64_t scans, uint64_t seed, const event__ *events, uint64_t count, uint64_t *taken, uint64_t *broken"
)


def loop_source(
    machine: Machine,
    disturbances: Sequence[Disturbance] = (),
    judging: Judging | None = None,
    mishaps: Sequence[Disturbance] = (),
) -> LoopSource:
    """Writes the loop.

    Args:
        machine: the machine.
        disturbances: what is there from the start under an operator, and may be set by events.
        judging: what is judged; needs the cells of ``surround(machine, lower_controller(machine))``.
        mishaps: one of these, drawn from the seed, begins at some time of a shift under an operator:
            at power-on in one shift of four, else soon or late (see ``MISHAP_ORDERS``).
    """
    there = tuple(dict.fromkeys(disturbances))
    later = tuple(item for item in dict.fromkeys(mishaps) if item not in there)
    return _Writer(machine, there, judging or Judging(), later).source()


class _Writer:
    def __init__(
        self,
        machine: Machine,
        disturbances: tuple[Disturbance, ...],
        judging: Judging,
        mishaps: tuple[Disturbance, ...],
    ) -> None:
        self.machine, self.judging = machine, judging
        self.there, self.mishaps = disturbances, mishaps
        self.program = lower_controller(machine)
        kinds: tuple[OperatorKind | None, ...] = (None, *OperatorKind)
        self.around = {
            kind: surround(
                machine,
                self.program,
                disturbances=(*disturbances, *mishaps),
                operator=kind,
                from_start=disturbances if kind else (),
            )
            for kind in kinds
        }
        self.tables: dict[tuple[int, ...], str] = {}
        self.controller = {*self.program.cells, *controller_locals(self.program)}
        self.events: dict[Cell, str | None] = {}
        self.writer = CWriter(
            place=lambda cell: f"s->{c_name(cell)}" if cell in self.controller else c_name(cell),
            note=self._note,
            choose=self._choice,
            table=lambda table: self.tables.setdefault(table, f"table{len(self.tables)}__"),
        )

    # -- pieces ------------------------------------------------------------------------------

    def _note(self, note: Note) -> str:
        return f"NOTE_BROKEN({note.index});" if note.kind is NoteKind.BROKEN else ";"

    def _choice(self, choose: Choose) -> str:
        return choice_in_c(choose, self.events, self.machine.scan)

    @property
    def targets(self) -> tuple[Cell, ...]:
        """Free circuits, disturbances, power."""
        around = self.around[None]
        free = [around.circuits[name] for name in around.free]
        return (*free, *around.switches.present.values(), around.switches.cut)

    @property
    def traced(self) -> tuple[Cell, ...]:
        """Everything that the Python simulation can be compared in."""
        around = self.around[None]
        return (
            *around.circuits.values(),
            *(item.active for item in self.program.sequences),
            *around.plant.driven.values(),
            *self.program.memory,
            *around.plant.cells,
            *around.switches.cells,
        )

    @property
    def words(self) -> int:
        return max(1, -(-len(self.judging.names) // 64))

    # -- text ----------------------------------------------------------------------------------

    def source(self) -> LoopSource:
        source, header = emit_controller(self.program)
        run = list(self._run())  # before the tables, which it fills
        tables = [
            f"static const int32_t {label}[] = {{{', '.join(map(str, table))}}};"
            for table, label in self.tables.items()
        ]
        text = "\n".join([*self._preamble(), *tables, *run, *self._entries(), ""])
        return LoopSource(
            machine=self.machine,
            controller=self.program,
            around=self.around,
            judging=self.judging,
            files={"controller.c": source, "controller.h": header, "loop.c": text},
            main="loop.c",
            targets=self.targets,
            traced=self.traced,
            mishaps=self.mishaps,
        )

    def _preamble(self) -> Iterator[str]:
        name = self.program.name
        exits = max(1, len(self.program.exit_marks))
        yield from (
            "#include <stdint.h>",
            '#include "controller.h"',
            "typedef struct {",
            f"    {name}__state state; uint32_t taken[{exits}]; uint64_t broken[{self.words}];",
            "} loop__;",
            "typedef struct { uint64_t scan; int32_t what; int32_t value; } event__;",
            "#define SG_TAKEN(s, exit) (((loop__ *)(s))->taken[exit]++)",
            "#define SG_BOUNDS(s, n) (((loop__ *)(s))->broken[(n) / 64] |= UINT64_C(1) << ((n) % 64))",
            "#define NOTE_BROKEN(n) (loop.broken[(n) / 64] |= UINT64_C(1) << ((n) % 64))",
            '#include "controller.c"',
            DRAWS_IN_C,
            "#ifdef LOOP_FAST",
            "#define EVENTS__ 0",
            "#else",
            "#define EVENTS__ (kind == 0)",
            "#endif",
        )
        yield from level_macros(self.program)

    def _run(self) -> Iterator[str]:
        """The function that runs one shift; returns the scan of the first break, or -1.

        ``kind`` is 0 for events, else the number of an operator from 1. The fast build knows no
        events, so that what is disturbed there is so throughout.
        """
        around = self.around[None]
        plant, switches = around.plant, around.switches
        named = one_name_a_choice(
            around.begin, switches.before, switches.after, plant.moves, events=plant.events
        )
        begin, before, after, moves = named.blocks
        self.events = {
            choice: None if left is None else c_name(left) for choice, left in named.events.items()
        }
        people = {kind: item.operator for kind, item in self.around.items() if item.operator is not None}
        operate = {kind: one_name_a_choice(item.block, events={}).blocks[0] for kind, item in people.items()}
        blocks: Block = (
            *begin, *before, *around.sense, *after, *plant.conditions, *self.judging.block, *moves,
            *(statement for block in operate.values() for statement in block),
        )  # fmt: skip
        local = {*around.cells, *self.judging.cells}
        local |= {cell for item in people.values() for cell in item.cells}
        local |= set(cells_written(blocks))
        # Inlined twice: with a trace, and without one, where cells may stay in registers.
        yield "static inline __attribute__((always_inline))"
        yield f"int64_t run__(unsigned kind, {ARGUMENTS}, int32_t *trace, int stop)"
        yield "{"
        yield "    loop__ loop = {0};"
        yield f"    {self.program.name}__state *s = &loop.state;"
        for cell in sorted(local - self.controller, key=lambda cell: cell.name):
            yield f"    {c_type(cell)} {c_name(cell)} = {cell.start};"
        yield "    uint8_t dark = 0;"
        yield "    int64_t found = -1;"
        yield f"    uint64_t now__ = mix__(seed + UINT64_C({GAMMA}));"
        yield "    uint64_t scan, next = 0;"
        yield f"    {self.program.name}__power_on(s);"
        yield from self.writer.block(begin)
        yield "    if (!EVENTS__) {"
        yield from (f"        {c_name(switches.present[item])} = 1;" for item in self.there)
        yield "    }"
        yield from self._mishap_drawn()
        yield from self._by_kind({kind: item.begin for kind, item in people.items()}, 1)
        yield f"    for (scan = 0; scan < scans; scan++, now__ += UINT64_C({GAMMA})) {{"
        yield from self._events()
        yield from self._mishap_begins(switches.present)
        yield from self._by_kind(operate, 2)
        yield from self.writer.block((*around.sense, *before), 2)
        yield from self._controller(switches.wired, c_name(switches.lost), c_name(switches.late))
        yield from self.writer.block((*after, *plant.conditions, *self.judging.block), 2)
        yield from self._after_scan()
        yield from self.writer.block(moves, 2)
        yield "    }"
        yield f"    for (int i = 0; i < {len(self.program.exit_marks)}; i++) taken[i] += loop.taken[i];"
        yield f"    for (int i = 0; i < {self.words}; i++) broken[i] = loop.broken[i];"
        yield "    return found;"
        yield "}"

    def _mishap_drawn(self) -> Iterator[str]:
        """Which and when; the time does not depend on how long the run is, so it may be cut short."""
        if self.mishaps:

            def drawn(word: str, count: str) -> str:
                key = key_of(Cell(f"mishap.{word}", 0, 1, 0, Scope.FAULT))
                return f"below__(mix__(now__ + UINT64_C({key})), {count})"

            yield f"    unsigned mishap__ = {drawn('which', str(len(self.mishaps)))};"
            yield f"    uint64_t begins__ = {drawn('order', str(MISHAP_ORDERS))};"
            yield f"    begins__ = {drawn('when', '4')} ? {drawn('at', '2u << begins__')} : 0;"

    def _mishap_begins(self, present: dict[Disturbance, Cell]) -> Iterator[str]:
        if self.mishaps:
            yield "        if (!EVENTS__ && scan == begins__) switch (mishap__) {"
            for number, item in enumerate(self.mishaps):
                yield f"        case {number}: {c_name(present[item])} = 1; break;"
            yield "        }"

    def _by_kind(self, blocks: dict[OperatorKind | None, Block], depth: int) -> Iterator[str]:
        pad = "    " * depth
        yield f"{pad}switch (kind) {{"
        for kind, block in blocks.items():
            yield f"{pad}case {kind_number(kind)}:"
            yield from self.writer.block(block, depth + 1)
            yield f"{pad}    break;"
        yield f"{pad}}}"

    def _events(self) -> Iterator[str]:
        yield "        for (; EVENTS__ && next < count && events[next].scan <= scan; next++) {"
        yield "            switch (events[next].what) {"
        for number, cell in enumerate(self.targets):
            value = f"({c_type(cell)})events[next].value"
            yield f"            case {number}: {c_name(cell)} = {value}; break;"
        yield "            }"
        yield "        }"

    def _controller(self, wired: dict[str, Term], lost: str, late: str) -> Iterator[str]:
        name = self.program.name
        yield f"        if ({lost}) {{"
        yield f"            if (!dark) {{ {name}__power_on(s);"
        for sequence in self.program.sequences:
            yield f"                s->{c_name(sequence.active)} = {len(sequence.states)};"
        yield "                dark = 1; }"
        yield "        } else {"
        yield f"            if (dark) {{ {name}__power_on(s); dark = 0; }}"
        yield f"            if (!{late}) {{"
        for signal in self.program.signals:
            level = self.writer.term(wired[signal.name])
            pin = f"(uint8_t)!({level})" if signal.active_low else f"(uint8_t)({level})"
            yield f"                sense_{signal.name}(s, {pin});"
        if self.program.observe:
            yield "                observe__(s);"
        for stage in self.program.stages:
            yield f"                {stage.name}(s);"
        yield "            }"
        yield "        }"

    def _after_scan(self) -> Iterator[str]:
        words = " | ".join(f"loop.broken[{i}]" for i in range(self.words))
        yield f"        if (__builtin_expect(({words}) != 0, 0)) {{"
        yield "            if (found < 0) found = (int64_t)scan;"
        yield "            if (stop) break;"
        yield "        }"
        yield "        if (trace) {"
        for cell in self.traced:
            yield f"            *trace++ = {self.writer.place(cell)};"
        for number in range(len(self.judging.names)):
            yield f"            *trace++ = (int32_t)(loop.broken[{number // 64}] >> {number % 64} & 1);"
        yield from (f"            loop.broken[{i}] = 0;" for i in range(self.words))
        yield "        }"

    def _entries(self) -> Iterator[str]:
        """What is called from outside: many shifts until one breaks something, or one run."""
        yield from (
            "#ifdef LOOP_FAST",
            f"__attribute__((flatten)) static int64_t shift__(unsigned kind, {ARGUMENTS})",
            "{ return run__(kind, scans, seed, events, count, taken, broken, 0, 1); }",
            "int64_t shifts(uint64_t first, uint64_t many, uint64_t start, uint64_t scans,",
            "    const uint8_t *kinds, uint64_t kinds_count, uint64_t *taken, uint64_t *broken,",
            "    uint64_t *done)",
            "{",
            "    for (uint64_t shift = first; shift < first + many; shift++) {",
            f"        uint64_t seed = mix__(start + shift * UINT64_C({GAMMA})) >> 1;",
            "        int64_t found = shift__(kinds[shift % kinds_count], scans, seed, 0, 0, taken, broken);",
            "        *done += found < 0 ? scans : (uint64_t)found + 1;",
            "        if (found >= 0) return (int64_t)shift;",
            "    }",
            "    return -1;",
            "}",
            "#else",
            f"int64_t trace(unsigned kind, {ARGUMENTS}, int32_t *trace, int stop)",
            "{ return run__(kind, scans, seed, events, count, taken, broken, trace, stop); }",
            "#endif",
        )
