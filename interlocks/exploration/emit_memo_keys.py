"""What the pieces of a checker's step read and leave, in as few bits as their ranges need.

The engine keeps what pieces of the step came to (``segments.h``,
``memo_transitions.h``), each by exactly what that piece reads:

* the segments by their *reading*: cells of the controller and nodes of free inputs;
* the second stage by the *conditions*, which the first stage leaves to it, and the parts.

That nothing else is read is not assumed: it is looked up in the Program, and asserted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from stillgate.controller.c.emit_c import c_name, c_type
from stillgate.controller.program.controller_program import Signal, Stage
from stillgate.controller.program.footprint import cells_read, cells_written, signals_read
from stillgate.controller.program.program import Block, Cell, If, Operation, Ref, Switch, terms_in

from ..loop.closed_loop import ClosedLoop
from .clock_regions import constants_in


@dataclass(frozen=True, slots=True)
class Slot:
    """A value in a row of words: its C place, the least value it takes, where it lies."""

    place: str
    type: str
    low: int
    word: int
    shift: int
    bits: int


def slots(values: Iterable[tuple[str, str, int, int]]) -> tuple[Slot, ...]:
    """Slots of (C place, C type, least, greatest), one after the other; none crosses words."""
    found: list[Slot] = []
    word = shift = 0
    for place, type_, low, high in values:
        bits = (high - low).bit_length()
        if shift + bits > 64:
            word, shift = word + 1, 0
        found.append(Slot(place, type_, low, word, shift, bits))
        shift += bits
    return tuple(found)


def word_count(row: Sequence[Slot]) -> int:
    """Words of a row, at least one."""
    return max((slot.word for slot in row), default=0) + 1


def writing(row: Sequence[Slot], to: str) -> Iterator[str]:
    """C statements that write a row's values to an array of words."""
    for word in range(word_count(row)):
        terms = [
            f"(uint64_t)(uint32_t)({slot.place}{_sign(-slot.low)}) << {slot.shift}"
            for slot in row
            if slot.word == word
        ]
        yield f"    {to}[{word}] = {' | '.join(terms) or '0'};"


def reading_back(row: Sequence[Slot], source: str) -> Iterator[str]:
    """C statements that set a row's places from an array of words."""
    for slot in row:
        value = f"(int32_t)({source}[{slot.word}] >> {slot.shift} & {(1 << slot.bits) - 1:#x}u)"
        yield f"    {slot.place} = ({slot.type})({value}{_sign(slot.low)});"


def segment_reading(loop: ClosedLoop, segments: Sequence[Stage], decided: set[Cell]) -> list[Cell]:
    """Cells that the segments read of what the first piece left.

    Not those that the exits of this scan decide: they are the same before the first segment.
    """
    program, sensed = loop.controller, loop.sensed
    block = tuple(statement for stage in segments for statement in stage.block)
    observed = signals_read(block)
    found = cells_read(block)
    for signal in sensed:
        if signal.name in observed:
            found |= {signal.level, *signal.memory}
            found |= {cell for cell in (signal.was, signal.run) if cell is not None}
    known = {*program.cells, *(cell for signal in program.signals for cell in _of_scan(signal))}
    known |= {cell for cell in cells_written(program.observe) if not cell.persistent}
    assert found <= known | decided, "a segment reads what the first piece does not leave to it"
    return sorted(found - decided, key=lambda cell: cell.name)


@dataclass(frozen=True, slots=True)
class Reads:
    """What a block reads whatever its sequences' states, and more by the state a cell holds."""

    always: tuple[Block, ...]
    by_state: dict[tuple[Cell, int], Block]

    @classmethod
    def of(cls, block: Block, active: set[Cell]) -> Reads:
        """Of a block that switches on the cells in ``active``, at any depth of its conditions."""
        always: list[Block] = []
        by_state: dict[tuple[Cell, int], Block] = {}

        def look(block: Block) -> None:
            for item in block:
                match item:
                    case Switch(cell=cell, arms=arms) if cell in active:
                        for value, arm in arms:
                            by_state[cell, value] = (*by_state.get((cell, value), ()), *arm)
                    case If(then=then, otherwise=otherwise):
                        always.append((If(item.condition, ()),))
                        look(then)
                        look(otherwise)
                    case _:
                        always.append((item,))

        look(block)
        return cls(tuple(always), by_state)


def _of_scan(signal: Signal) -> Iterator[Cell]:
    yield signal.level
    if signal.was is not None:
        yield signal.was


def _sign(number: int) -> str:
    return f" + {number}" if number > 0 else f" - {-number}" if number else ""


@dataclass(frozen=True, slots=True)
class Node:
    """A free input's node among what the segments read."""

    signal: str
    index: int  # of the input among the free ones
    high: int


def reading_source(
    loop: ClosedLoop,
    segments: Sequence[Stage],
    cells: Sequence[Cell],
    nodes: Sequence[Node],
    place: Callable[[Cell], str],
) -> list[str]:
    """C of ``sg_reading``: what segments read, as far as the present states read it.

    A cell that none of the active states reads is blanked; of a time in a state only matters
    which of the state's limits it has passed. A node that none of them reads and that is not
    kept alive comes to its stand-in (``same``) in the end.
    """
    program, sensed = loop.controller, loop.sensed
    classes, lines = _elapsed_classes(loop, segments)
    values = [(classes.get(cell, place(cell)), c_type(cell), cell.low, cell.high) for cell in cells]
    row = slots([*values, *((f"{node.signal}__read", "uint16_t", 0, node.high) for node in nodes)])
    active = {sequence.active for sequence in program.sequences}
    reads = Reads.of(tuple(statement for stage in segments for statement in stage.block), active)
    memories = {
        signal.name: {signal.level, *signal.memory, *(cell for cell in (signal.was, signal.run) if cell)}
        for signal in sensed
    }

    free_words = len(loop.free) // 64 + 1  # SG_FREE_WORDS
    reading_words = word_count(row)
    slot_of = dict(zip(cells, row, strict=False))
    index_of = {node.signal: node.index for node in nodes}

    def bits(block: Block) -> tuple[list[int], list[int]]:
        wanted = cells_read(block) | active
        asked = signals_read(block)
        wanted |= {cell for name in asked for cell in memories.get(name, ())}
        words = [0] * reading_words
        for cell in wanted & slot_of.keys():
            slot = slot_of[cell]
            words[slot.word] |= ((1 << slot.bits) - 1) << slot.shift
        inputs = [0] * free_words
        for name in asked & index_of.keys():
            inputs[index_of[name] // 64] |= 1 << index_of[name] % 64
        return words, inputs

    lines.append(f"#define SG_READING_WORDS {reading_words}")
    terms: list[str] = []
    for sequence in program.sequences:
        rows = [bits(reads.by_state.get((sequence.active, n), ())) for n in range(len(sequence.states))]
        table = ", ".join(
            "{" + ", ".join(f"UINT64_C({word:#x})" for word in (*words, *inputs)) + "}"
            for words, inputs in rows
        )
        columns = "SG_READING_WORDS + SG_FREE_WORDS"
        lines.append(f"static const uint64_t {sequence.name}__reads[][{columns}] = {{{table}}};")
        terms.append(f"{sequence.name}__reads[{place(sequence.active)}]")
    words, inputs = bits(tuple(statement for block in reads.always for statement in block))
    for slot in row[len(cells) :]:
        words[slot.word] |= ((1 << slot.bits) - 1) << slot.shift
    lines += [
        "static inline void sg_reading(const struct sg_work *w, const uint64_t *alive, uint64_t *to)",
        "{",
        "    uint64_t asked[SG_FREE_WORDS];",
        "    (void)w;",
    ]
    for word, always in enumerate(inputs):
        of_states = "".join(f" | {term}[SG_READING_WORDS + {word}]" for term in terms)
        lines.append(f"    asked[{word}] = alive[{word}] | UINT64_C({always:#x}){of_states};")
    lines.append("    (void)asked;")
    for node in nodes:
        raw = f"w->{node.signal}__node"
        is_asked = f"asked[{node.index // 64}] >> {node.index % 64} & 1"
        lines.append(f"    uint16_t {node.signal}__read = {is_asked} ? {raw} : {node.signal}__same[{raw}];")
    lines += writing(row, "to")
    for word in range(word_count(row)):
        mask = "".join(f" | {term}[{word}]" for term in terms)
        lines.append(f"    to[{word}] &= UINT64_C({words[word]:#x}){mask};")
    return [*lines, "}"]


def _elapsed_classes(loop: ClosedLoop, segments: Sequence[Stage]) -> tuple[dict[Cell, str], list[str]]:
    """For times in a state that segments only compare with constants: C of the class, and its tables."""
    block = tuple(statement for stage in segments for statement in stage.block)
    places: dict[Cell, str] = {}
    lines: list[str] = []
    for sequence in loop.controller.sequences:
        elapsed, name = sequence.elapsed, sequence.name
        if elapsed is None:
            continue
        terms = list(terms_in(block))
        compared = [term for term in terms if isinstance(term, Operation) and term.left == Ref(elapsed)]
        found = [constants_in(term.right, loop.tick) for term in compared]
        if sum(term == Ref(elapsed) for term in terms) != len(compared) or not all(found):
            continue
        limits = set().union(*found)
        table = [sum(limit <= value for limit in limits) for value in range(elapsed.high + 1)]
        if max(table) > elapsed.high:
            continue
        lines.append(f"static const {table_type(table)} {name}__passed[] = {{{', '.join(map(str, table))}}};")
        places[elapsed] = f"{name}__passed[w->c.{c_name(elapsed)}]"
    return places, lines


def table_type(table: Sequence[int]) -> str:
    """The narrowest C type that holds every value of a table."""
    low, high = min(table, default=0), max(table, default=0)
    if low < 0:
        return "int32_t"
    return "uint8_t" if high < 256 else "uint16_t" if high < 65536 else "int32_t"


def conditions_source(cells: Sequence[Cell]) -> list[str]:
    """C of ``sg_conditions`` and of the way back."""
    row = slots((f"w->{c_name(cell)}", c_type(cell), cell.low, cell.high) for cell in cells)
    return [
        f"#define SG_CONDITION_WORDS {word_count(row)}",
        "static inline void sg_conditions(const struct sg_work *w, uint64_t *to)",
        "{",
        "    (void)w;",
        *writing(row, "to"),
        "}",
        "static inline void sg_conditions_set(struct sg_work *w, const uint64_t *from)",
        "{",
        "    (void)w, (void)from;",
        *reading_back(row, "from"),
        "}",
    ]
