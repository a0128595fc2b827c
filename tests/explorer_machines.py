"""Small machines written by hand in C, and their builder, for the tests of the explorer.

A table machine is drawn by Hypothesis: every state lists, for each way its first stage may
go, the successors its second stage may choose among. The same table is searched in Python.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import networkx as nx

from quick_compiler import quick_compiler
from stillgate.controller.c.toolchain import build_library
from stillgate.interlocks.exploration.engine_folder import engine_files

OPTIONS = ("-std=gnu11", "-O0", "-Wall", "-Wextra", "-Wno-unused-function", "-Werror")


def build(text: str, *options: str) -> Path:
    """Library of a hand-written translation unit, unoptimised unless the options say else."""
    files = engine_files() | {"machine.c": text}
    return build_library(files, "machine.c", options=(*OPTIONS, *options), compiler=quick_compiler())


def machine(body: str, *, bits: int, breaks: int = 1, marks: int = 1, goals: int = 0) -> str:
    """A translation unit around the functions of a step."""
    return f"""
#define SG_KEY_BITS {bits}
#define SG_BREAKS {breaks}
#define SG_MARKS {marks}
#define SG_POSSIBLE {goals}
#include "step_api.h"
{body}
#include "explorer.c"
"""


def one_stage(initial: str, step: str, *, bits: int, breaks: int = 1) -> str:
    """A machine whose whole step is ``step``: it reads ``s`` and writes the next state to it."""
    body = f"""
struct sg_work {{ uint64_t s; }};
static inline void sg_initial(sg_context *c, sg_key *out)
{{
    (void)c;
    uint64_t s = 0;
    {initial}
    out->w[0] = s;
}}
static inline void sg_stage1(sg_context *c, const sg_key *from, sg_work *w)
{{
    (void)c;
    uint64_t s = from->w[0];
    {step}
    w->s = s;
}}
static inline void sg_stage2(sg_context *c, const sg_work *w, sg_key *to)
{{
    (void)c;
    to->w[0] = w->s;
}}
"""
    return machine(body, bits=bits, breaks=breaks)


TABLE_BODY = """
extern void *memcpy(void *, const void *, __SIZE_TYPE__);
/* The table is handed in by the test: rows of words, per state {ways, {mask of breaks, mask of goals,
 * number of successors, successors...}...}, and where each state's row starts. */
__attribute__((visibility("default"))) uint32_t table[1 << 16];
__attribute__((visibility("default"))) uint32_t start[1 << 10];
__attribute__((visibility("default"))) uint32_t initial[64];
struct sg_work { const uint32_t *way; };

/* Spread the state's number over all words of the key, so that every bit of it matters. */
static void write_state(uint64_t number, sg_key *k)
{
    uint64_t x = number * UINT64_C(0x9e3779b97f4a7c15);
    for (unsigned i = SG_KEY_WORDS; i-- > 0; x = x * 5 + number)
        k->w[i] = x ^ x >> 29;
    k->w[0] = (k->w[0] & ~UINT64_C(1023)) | number;
#if SG_KEY_BITS % 64
    k->w[SG_KEY_WORDS - 1] &= (UINT64_C(1) << (SG_KEY_BITS % 64)) - 1;
#endif
}

static inline void sg_initial(sg_context *c, sg_key *out)
{
    write_state(initial[1 + sg_choose(c, initial[0])], out);
}

static inline void sg_stage1(sg_context *c, const sg_key *from, sg_work *w)
{
    const uint32_t *row = table + start[from->w[0] & 1023];
    unsigned way = row[0] > 1 ? sg_choose(c, row[0]) : 0;
    for (row++; way--; row += 3 + row[2])
        ;
    w->way = row;
    for (unsigned i = 0; i < SG_BREAKS; i++)
        if (row[0] >> i & 1)
            sg_break(c, i);
}

static inline void sg_stage2(sg_context *c, const sg_work *w, sg_key *to)
{
    uint32_t at = w->way[2] > 1 ? sg_choose(c, w->way[2]) : 0;
    write_state(w->way[3 + at], to);
    sg_mark(c, w->way[3 + at] % SG_MARKS);
}

static inline uint32_t sg_goals(const sg_work *w, unsigned word)
{
    (void)word;
    return w->way[1];
}
"""


def table_machine(bits: int, *, breaks: int = 3, goals: int = 2) -> str:
    """A translation unit that steps along a table; the table is set after loading."""
    return machine(TABLE_BODY, bits=bits, breaks=breaks, marks=8, goals=goals)


@dataclass(frozen=True)
class Way:
    """One way the first stage may go."""

    breaks: int
    goals: int
    successors: tuple[int, ...]


@dataclass(frozen=True)
class Table:
    """A drawn machine: its start states and the ways of each state."""

    initial: tuple[int, ...]
    ways: tuple[tuple[Way, ...], ...]

    def rows(self) -> tuple[list[int], list[int], list[int]]:
        """Words of ``table``, ``start`` and ``initial`` in C."""
        words: list[int] = []
        start: list[int] = []
        for ways in self.ways:
            start.append(len(words))
            words.append(len(ways))
            for way in ways:
                words += [way.breaks, way.goals, len(way.successors), *way.successors]
        return words, start, [len(self.initial), *self.initial]

    def graph(self) -> nx.DiGraph:
        """States and steps as networkx sees them."""
        graph = nx.DiGraph()
        graph.add_nodes_from(range(len(self.ways)))
        for state, ways in enumerate(self.ways):
            graph.add_edges_from((state, to) for way in ways for to in way.successors)
        return graph

    def depths(self) -> dict[int, int]:
        """Shortest distances from the start states, by networkx."""
        graph = self.graph()
        found = nx.multi_source_dijkstra_path_length(graph, set(self.initial), weight=None)
        return dict(found)

    def transitions(self, state: int) -> list[tuple[tuple[int, ...], Way, int]]:
        """(picks, way, successor) of a state in the order of their picks."""
        listed = []
        for number, way in enumerate(self.ways[state]):
            first = (number,) if len(self.ways[state]) > 1 else ()
            for at, to in enumerate(way.successors):
                listed.append((first + ((at,) if len(way.successors) > 1 else ()), way, to))
        return listed
