"""Histories of free inputs, and constant tables, as C of the symbolic checker."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from ...loop.closed_loop import FreeInput
from ...loop.free_inputs import NONE


def history_tables(free: Sequence[FreeInput], place: Callable[[int], str]) -> Iterator[str]:
    """Tables of free inputs, and functions that look answers up and ask where both are possible."""
    for number, item in enumerate(free):
        history = item.history
        queries = max(1, len(history.queries))
        members = [(len(row), *row) for row in history.members]
        width = max(len(row) for row in members)
        yield matrix("uint16_t", f"sy_roots_{number}", history.roots, len(history.beliefs))
        yield matrix("uint16_t", f"sy_yes_{number}", history.yes, queries)
        yield matrix("uint16_t", f"sy_no_{number}", history.no, queries)
        yield array("uint16_t", f"sy_ends_{number}", history.ends)
        yield matrix("uint16_t", f"sy_members_{number}", members, width)
    yield "static int sy_closed(sy_work *w, int input, int belief)"
    yield "{"
    yield "    const uint16_t *row = NULL;"
    yield "    switch (input) {"
    for number in range(len(free)):
        yield f"    case {number}: row = sy_members_{number}[belief]; break;"
    yield "    default: break;"
    yield "    }"
    yield "    return row && row[0] > 1 ? row[1 + sy_choose(w, row[0])] : belief;"
    yield "}"
    yield "static int sy_asked(sy_work *w, int input, int query)"
    yield "{"
    yield "    uint16_t yes = 0, no = 0;"
    yield "    switch (input) {"
    for number in range(len(free)):
        yield f"    case {number}:"
        yield f"        if ({place(number)} < 0)"
        yield "            return sy_asked_too_late(w, input);"
        yield f"        yes = sy_yes_{number}[{place(number)}][query];"
        yield f"        no = sy_no_{number}[{place(number)}][query];"
        yield "        break;"
    yield "    default: break;"
    yield "    }"
    yield f"    if (yes == {NONE})"
    yield "        return 0;"
    yield f"    if (no == {NONE})"
    yield "        return 1;"
    yield "    int answer = sy_choose(w, 2);"
    yield f"    w->now.cell[SY_CELLS - {len(free)} + input] = (sy_cell)(answer ? yes : no);"
    yield "    return answer;"
    yield "}"


def braces(values: Sequence[int]) -> str:
    """A row as C writes it."""
    return f"{{{', '.join(map(str, values))}}}"


def array(kind: str, name: str, values: Sequence[int]) -> str:
    """Definition of a constant row."""
    return f"static const {kind} {name}[] = {braces(values or [0])};"


def matrix(kind: str, name: str, rows: Sequence[Sequence[int]], width: int) -> str:
    """Definition of a constant table, a row a line of it."""
    return f"static const {kind} {name}[][{width}] = {{{', '.join(braces(row or [0]) for row in rows)}}};"
