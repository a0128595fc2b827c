"""The packed state: which cells a stored state holds, and in which bits of its key.

Every stored cell takes the fewest bits its range needs, less its low bound, one after the
other in the order of ``ClosedLoop.key_cells``; the parts' cells come last, so a stage that
only moves parts leaves the bits before them alone.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillgate.controller.program.program import Cell

from .closed_loop import ClosedLoop

Key = tuple[int, ...]
"""Values of the stored cells, in the order of ``ClosedLoop.key_cells``."""


@dataclass(frozen=True, slots=True)
class PackedField:
    """Place of a cell in the packed state."""

    cell: Cell
    offset: int
    bits: int


def packed_fields(loop: ClosedLoop) -> tuple[PackedField, ...]:
    """Every cell of the stored state with its bits, in the order of ``key_cells``."""
    offset = 0
    fields: list[PackedField] = []
    for cell in loop.key_cells:
        bits = (cell.high - cell.low).bit_length()
        fields.append(PackedField(cell, offset, bits))
        offset += bits
    return tuple(fields)


def key_bits(fields: tuple[PackedField, ...]) -> int:
    """Bits of a packed state, at least one."""
    return max(1, sum(item.bits for item in fields))


def unpack(fields: tuple[PackedField, ...], key: int) -> Key:
    """Values of the stored cells of a packed state."""
    return tuple((key >> item.offset & ((1 << item.bits) - 1)) + item.cell.low for item in fields)


def pack(fields: tuple[PackedField, ...], values: Key) -> int:
    """Packed state of the stored cells' values."""
    return sum((value - item.cell.low) << item.offset for item, value in zip(fields, values, strict=True))


def field_text(item: PackedField, key: str) -> str:
    """C expression of a packed cell's value, less its low bound."""
    word, shift = divmod(item.offset, 64)
    text = f"{key}->w[{word}] >> {shift}" if shift else f"{key}->w[{word}]"
    if shift + item.bits > 64:
        text = f"({text}) | ({key}->w[{word + 1}] << {64 - shift})"
    return f"(({text}) & {(1 << item.bits) - 1}u)"


def end_states_source(loop: ClosedLoop, fields: tuple[PackedField, ...]) -> list[str]:
    """Which packed states have a sequence in a state that is meant as an end."""
    tests: list[str] = []
    for item in fields:
        for sequence in loop.controller.sequences:
            if item.cell == sequence.active:
                model = loop.machine.sequences[sequence.name]
                ends = [n for n, state in enumerate(sequence.states) if model.states[state].end]
                tests += [f"({field_text(item, 'key')}) == {end}" for end in ends]
    return [
        "#define SG_END_STATES",
        "static inline int sg_is_end(const sg_key *key)",
        "{",
        "    (void)key;",
        f"    return {' || '.join(tests) or '0'};",
        "}",
    ]
