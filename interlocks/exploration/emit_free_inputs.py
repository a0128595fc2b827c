"""Histories of free inputs as C: tables, and a function that asks only when both answers are possible."""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.c.emit_c import c_name
from stillgate.controller.program.program import Observation

from ..loop.closed_loop import FreeInput
from ..loop.free_inputs import NONE, History, Mode, Query

GIVEN_UP = 0x8000
"""Bit of a node whose input's level was given up, so that asking for it shows."""


def history_source(item: FreeInput, index: int) -> list[str]:
    """Tables and macros that answer the observations of a free input."""
    name, history = item.signal.name, item.history
    width = max(1, len(history.queries))
    lines = []
    for label, rows in (("yes", history.yes), ("no", history.no)):
        flat = [value for row in rows for value in (row or (NONE,))]
        lines.append(f"static const uint16_t {name}__{label}[] = {{{', '.join(map(str, flat))}}};")
    lines += [
        f"static __attribute__((noinline)) int {name}__ask(struct sg_work *w, unsigned query)",
        "{",
        f"    if (w->{name}__node & {GIVEN_UP:#x}u) {{ sg_need(w->context, {index}); return 0; }}",
        f"    unsigned at = w->{name}__node * {width}u + query;",
        f"    unsigned yes = {name}__yes[at], no = {name}__no[at];",
        f"    if (yes == {NONE}u) return 0;",
        f"    if (no == {NONE}u) return 1;",
        f"    if (sg_choose(w->context, 2)) {{ w->{name}__node = (uint16_t)yes; return 1; }}",
        f"    w->{name}__node = (uint16_t)no;",
        "    return 0;",
        "}",
        f"#define SG_ASK_{name}",
    ]
    lines += _ask_macros(item)
    same = ", ".join(map(str, same_ends(history)))
    lines.append(f"static const uint16_t {name}__same[] = {{{same}}};")
    roots = [str(root) for mode in Mode for root in history.roots[mode]]
    lines.append(f"static const uint16_t {name}__roots[] = {{{', '.join(roots)}}};")
    if len(history.beliefs) > 1:
        lines.append(f"static const uint16_t {name}__ends[] = {{{', '.join(map(str, history.ends))}}};")
    if history.resolves:
        firsts, flat = [0], []
        for members in history.members:
            flat += members
            firsts.append(len(flat))
        lines.append(f"static const uint32_t {name}__first[] = {{{', '.join(map(str, firsts))}}};")
        lines.append(f"static const uint16_t {name}__member[] = {{{', '.join(map(str, flat))}}};")
    return lines


def _ask_macros(item: FreeInput) -> Iterator[str]:
    """One macro an observation; the preset time of HELD selects the query by its ticks."""
    name, queries = item.signal.name, item.history.queries
    numbers: dict[Query, int] = {query: number for number, query in enumerate(queries)}
    for observation in dict.fromkeys(query[0] for query in queries):
        if observation is not Observation.HELD:
            number = numbers[observation, 0]
            yield f"#define READ_{name}_{observation.name}(s) {name}__ask(SG_WORK(s), {number})"
    held = [query for query in queries if query[0] is Observation.HELD]
    if held:
        select = "".join(f"(ticks) == {query[1]} ? {numbers[query]} : " for query in held[:-1])
        query = f"(unsigned)({select}{numbers[held[-1]]})"
        yield f"#define READ_{name}_HELD(s, ticks) {name}__ask(SG_WORK(s), {query})"


def root_source(item: FreeInput, budget: int) -> str:
    """Statement that sets a free input's node at the beginning of a tick."""
    name, count = item.signal.name, len(item.history.beliefs)
    mode = "0"
    if budget:
        tests = [f"w->dark ? {Mode.DARK.value}"]
        for number, stuck in ((item.stuck_on, Mode.STUCK_ON), (item.stuck_off, Mode.STUCK_OFF)):
            second = f" || w->second == {number}" if budget > 1 else ""
            tests += [f"w->fault == {number}{second} ? {stuck.value}"] if number else []
        mode = f"({' : '.join(tests)} : 0)"
    belief = f"w->{c_name(item.belief)}" if count > 1 else "0"
    return f"    w->{name}__node = {name}__roots[{mode} * {count} + {belief}];"


def same_ends(history: History) -> tuple[int, ...]:
    """For each node the first one that ends in the same belief: alike once nothing more is asked."""
    first: dict[int, int] = {}
    return tuple(first.setdefault(end, node) for node, end in enumerate(history.ends))
