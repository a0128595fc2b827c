"""The C explorer against plain searches: networkx for distances, sets and ways, Python for the rest.

Tables of successors are drawn by Hypothesis, so nothing about them is convenient.
"""

from __future__ import annotations

import ctypes
import functools
import itertools
import os
import re
import signal
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from explorer_machines import OPTIONS, Table, Way, build, machine, one_stage, table_machine
from stillgate.controller.effort import Effort
from stillgate.controller.errors import ProgramFault, UsageError
from stillgate.interlocks.exploration.engine_abi import Code, Library
from stillgate.interlocks.exploration.explorer import CutOffStates, Explorer, Progress, StatePath, Status

KEY_BITS = (10, 32, 33, 64, 93, 96, 128, 131)
BREAKS = 3


@functools.cache
def table_library(bits: int, *options: str) -> Path:
    return build(table_machine(bits), *options)


@st.composite
def tables(draw: st.DrawFn, most: int = 40) -> Table:
    states = draw(st.integers(1, most))
    number = st.integers(0, states - 1)
    way = st.builds(
        Way,
        st.sampled_from([0, 0, 0, 1, 2, 4, 5]),
        st.sampled_from([0, 0, 0, 0, 1, 2, 3]),
        st.lists(number, min_size=1, max_size=3).map(tuple),
    )
    ways = draw(st.lists(st.lists(way, min_size=1, max_size=3).map(tuple), min_size=states, max_size=states))
    initial = draw(st.lists(number, min_size=1, max_size=3))
    return Table(tuple(initial), tuple(ways))


class Loaded:
    """An explorer over a table, speaking in the table's state numbers."""

    def __init__(self, table: Table, bits: int, effort: Effort, *options: str) -> None:
        path = table_library(bits, *options)
        library = ctypes.CDLL(str(path))
        for name, words in zip(("table", "start", "initial"), table.rows(), strict=True):
            size = {"table": 1 << 16, "start": 1 << 10, "initial": 64}[name]
            assert len(words) <= size
            array = (ctypes.c_uint32 * size).in_dll(library, name)
            array[: len(words)] = words
        self.explorer = Explorer(path, effort)

    def __enter__(self) -> Explorer:
        return self.explorer

    def __exit__(self, *_: object) -> None:
        self.explorer.close()


def numbers(path: StatePath) -> list[int]:
    return [key & 1023 for key in path.keys]


@settings(max_examples=40, deadline=None)
@given(tables(), st.sampled_from(KEY_BITS), st.integers(1, 3))
def test_reachable_states_and_distances_are_those_networkx_finds(
    table: Table, bits: int, threads: int
) -> None:
    with Loaded(table, bits, Effort(threads=threads)) as explorer:
        outcome = explorer.run()
        found = {key & 1023: depth for key, depth in explorer.states()}
        expected = table.depths()
        assert found == expected
        assert outcome.states == len(expected) == len(list(explorer.states()))
        assert outcome.transitions == sum(len(table.transitions(state)) for state in expected)
        assert outcome.sizes == tuple(
            sum(depth == level for depth in expected.values()) for level in range(max(expected.values()) + 1)
        )
        explorer.assert_consistent()


@settings(max_examples=40, deadline=None)
@given(tables(), st.sampled_from(KEY_BITS), st.integers(1, 3))
def test_records_hold_the_least_transition_of_the_first_depth(table: Table, bits: int, threads: int) -> None:
    with Loaded(table, bits, Effort(threads=threads)) as explorer:
        explorer.run()
        depths = table.depths()
        keys = {key & 1023: key for key, _ in explorer.states()}
        for event in range(BREAKS + explorer.goals):
            happening = [
                (depths[state] + 1, keys[state], picks)
                for state in depths
                for picks, way, _ in table.transitions(state)
                if (way.breaks | way.goals << BREAKS) >> event & 1
            ]
            record = explorer.record(event)
            if not happening:
                assert record is None
            else:
                assert record is not None
                assert (record.depth, record.start, record.picks) == min(happening)


@settings(max_examples=40, deadline=None)
@given(tables(), st.sampled_from(KEY_BITS), st.integers(1, 3))
def test_stories_are_shortest_and_the_least_of_the_shortest(table: Table, bits: int, threads: int) -> None:
    with Loaded(table, bits, Effort(threads=threads)) as explorer:
        explorer.run()
        depths = table.depths()
        keys = {key & 1023: key for key, _ in explorer.states()}
        states = sorted(depths)
        paths = explorer.paths([(keys[state], depths[state]) for state in states])
        graph = table.graph()
        for state, path in zip(states, paths, strict=True):
            way = numbers(path)
            assert way[-1] == state
            assert way[0] == table.initial[path.initial_picks[0]]
            shortest = min(
                nx.shortest_path_length(graph, start, state)
                for start in table.initial
                if nx.has_path(graph, start, state)
            )
            assert len(path.picks) == len(way) - 1 == shortest
            for before, picks, after in zip(way, path.picks, way[1:], strict=False):
                least = min(
                    (keys[other], other_picks)
                    for other in depths
                    if depths[other] == depths[after] - 1
                    for other_picks, _, to in table.transitions(other)
                    if to == after
                )
                assert (keys[before], picks) == least


@settings(max_examples=40, deadline=None)
@given(tables(), st.sampled_from(KEY_BITS), st.integers(1, 3))
def test_closure_finds_the_states_from_which_networkx_sees_no_way(
    table: Table, bits: int, threads: int
) -> None:
    with Loaded(table, bits, Effort(threads=threads)) as explorer:
        explorer.run()
        closure = explorer.closure()
        assert closure is not None
        depths = table.depths()
        keys = {key & 1023: key for key, _ in explorer.states()}
        graph = table.graph()
        for goal, found in enumerate(closure):
            meets = {
                state
                for state in depths
                if any(way.goals >> goal & 1 for _, way, _ in table.transitions(state))
            }
            able = meets.union(*(nx.ancestors(graph, state) for state in meets))
            unable = [(depths[state], keys[state]) for state in depths if state not in able]
            assert found.states == len(unable)
            if unable:
                assert (found.depth, found.key) == min(unable)


@settings(max_examples=20, deadline=None)
@given(tables(), st.sampled_from(KEY_BITS))
def test_stuck_states_are_those_that_lead_only_to_themselves(table: Table, bits: int) -> None:
    with Loaded(table, bits, Effort(threads=2)) as explorer:
        outcome = explorer.run()
        depths = table.depths()
        keys = {key & 1023: key for key, _ in explorer.states()}
        stuck = [s for s in depths if all(to == s for _, _, to in table.transitions(s))]
        if not stuck:
            assert outcome.stuck is None
        else:
            depth, key = min((depths[s], keys[s]) for s in stuck)
            assert outcome.stuck == CutOffStates(len(stuck), depth, key)


@settings(max_examples=20, deadline=None)
@given(tables(), st.sampled_from(KEY_BITS))
def test_everything_is_the_same_for_one_two_and_three_threads(table: Table, bits: int) -> None:
    seen = []
    for threads in (1, 2, 3):
        with Loaded(table, bits, Effort(threads=threads)) as explorer:
            outcome = explorer.run()
            states = sorted(explorer.states())
            seen.append(
                (
                    (outcome.states, outcome.transitions, outcome.levels, outcome.sizes, outcome.stuck),
                    states,
                    [explorer.record(event) for event in range(BREAKS + explorer.goals)],
                    explorer.marks(),
                    explorer.closure(),
                    explorer.paths(states),
                )
            )
    assert seen[0] == seen[1] == seen[2]


@settings(max_examples=20, deadline=None)
@given(tables(), st.sampled_from(KEY_BITS))
def test_single_steps_are_those_of_the_search(table: Table, bits: int) -> None:
    with Loaded(table, bits, Effort(threads=1)) as explorer:
        explorer.run()
        marks = set()
        for key, _ in explorer.states():
            listed = explorer.successors(key)
            expected = table.transitions(key & 1023)
            assert [(item.picks, item.to & 1023) for item in listed] == [
                (picks, to) for picks, _, to in expected
            ]
            for item, (picks, way, to) in zip(listed, expected, strict=True):
                step = explorer.step(key, picks)
                assert (step.to, step.picks, step.sizes) == (item.to, item.picks, item.sizes)
                mask = way.breaks | way.goals << BREAKS
                assert step.events == {i for i in range(8) if mask >> i & 1}
                marks.add(to % 8)
            begun = explorer.step(key)  # picks that are not given are the first answers
            assert begun.picks == (0,) * len(begun.picks)
        assert {i for i, seen in enumerate(explorer.marks()) if seen} == marks
        assert {item.to & 1023 for item in explorer.initial_states()} == set(table.initial)


# -- tables of states -------------------------------------------------------------------------------

COUNTERS = machine(
    """
/* Seven counters of different widths, spread over the key with gaps, all of them free to advance. */
struct sg_work { unsigned v[4]; };
static const unsigned at[4] = {0, 17, 40, 70}, size[4] = {%s};
static void read_key(const sg_key *k, sg_work *w)
{
    for (unsigned i = 0; i < 4; i++)
        w->v[i] = (unsigned)(k->w[at[i] / 64] >> at[i] %% 64) & 0x3ff;
}
static inline void sg_initial(sg_context *c, sg_key *out)
{
    (void)c;
    out->w[0] = out->w[1] = 0;
}
static inline void sg_stage1(sg_context *c, const sg_key *from, sg_work *w)
{
    read_key(from, w);
    unsigned i = sg_choose(c, 4);
    w->v[i] = (w->v[i] + 1) %% size[i];
    if (w->v[0] + 1 == size[0] && w->v[3] + 1 == size[3])
        sg_break(c, 0);
}
static inline void sg_stage2(sg_context *c, const sg_work *w, sg_key *to)
{
    (void)c;
    to->w[0] = to->w[1] = 0;
    for (unsigned i = 0; i < 4; i++)
        to->w[at[i] / 64] |= (uint64_t)w->v[i] << at[i] %% 64;
}
""",
    bits=93,
)


@functools.cache
def counters(sizes: str, *options: str) -> Path:
    return build(COUNTERS % sizes, *options)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_tables_grow_from_tiny_without_losing_a_state(threads: int) -> None:
    """28 trace bits allow a first table of sixteen buckets, so it grows a dozen times."""
    library = counters("20, 30, 25, 7", "-DSG_TRACE_BITS=28")
    with Explorer(library, Effort(threads=threads), first_buckets=16) as explorer:
        outcome = explorer.run()
        assert outcome.states == 20 * 30 * 25 * 7
        assert outcome.transitions == 4 * outcome.states
        assert len({key for key, _ in explorer.states()}) == outcome.states
        explorer.assert_consistent()
        record = explorer.record(0)
        assert record is not None
        assert record.depth == 19 + 6  # 19 steps of the first counter, 6 of the last
        assert explorer.paths([(record.start, 24)])[0].keys[0] == 0


def test_keys_come_back_whole_from_a_crowded_table() -> None:
    """With the narrowest displacement field tables must grow early, and may need to twice in a row."""
    library = counters("20, 30, 25, 3", "-DSG_TRACE_BITS=28", "-DSG_SHIFT_BITS=2")
    with Explorer(library, Effort(threads=2), first_buckets=1) as explorer:
        explorer.run()
        explorer.assert_consistent()
        assert {key for key, _ in explorer.states()} == {
            a | b << 17 | c << 40 | d << 70
            for a, b, c, d in itertools.product(range(20), range(30), range(25), range(3))
        }


@pytest.mark.parametrize(
    ("bits", "size"), [(8, 4), (32, 4), (33, 8), (64, 8), (65, 12), (93, 12), (96, 12), (97, 16)]
)
def test_an_entry_needs_no_more_words_than_its_key(bits: int, size: int) -> None:
    shape = Library(build(table_machine(max(bits, 10)))).shape
    assert shape.entry_bytes == size
    assert shape.max_depth >= 4095


def test_a_stored_state_costs_at_most_sixteen_bytes() -> None:
    """The figure of the project for keys up to 96 bits: 12 bytes an entry in tables at least 3/4 full.

    The half byte more is for queues and buffers, which do not grow with the states stored.
    """
    with Explorer(counters("50, 60, 40, 9"), Effort(threads=1)) as explorer:
        outcome = explorer.run()
        assert outcome.states == 50 * 60 * 40 * 9
        assert 12 < outcome.bytes_per_state < 16.5
        explorer.assert_consistent()


# -- limits -----------------------------------------------------------------------------------------

ENDLESS = one_stage("", "s = s * 4 + sg_choose(c, 4); s ^= s >> 33; s = s * 11 + 1;", bits=64)


@functools.cache
def endless() -> Path:
    return build(ENDLESS, "-O2")


@pytest.mark.parametrize("threads", [1, 2])
def test_the_state_cap_ends_a_search_with_what_it_found(threads: int) -> None:
    with Explorer(endless(), Effort(threads=threads, states=5000)) as explorer:
        outcome = explorer.run()
        assert outcome.status is Status.STATE_CAP
        assert outcome.status.words == "state cap"
        assert outcome.states > 5000
        assert outcome.levels == 5  # depths 0 to 4; expanding depth 5 finds the 4^6 states that are too many
        assert explorer.closure() is None
        key, depth = max(explorer.states(), key=lambda item: item[1])
        assert len(explorer.paths([(key, depth)])[0].picks) == depth


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_a_cap_of_exactly_the_states_there_are_is_no_cap(threads: int) -> None:
    library = counters("20, 30, 25, 7", "-DSG_TRACE_BITS=28")
    whole = 20 * 30 * 25 * 7
    for cap, status in ((whole, Status.COMPLETE), (whole - 1, Status.STATE_CAP)):
        with Explorer(library, Effort(threads=threads, states=cap)) as explorer:
            assert explorer.run().status is status


@pytest.mark.parametrize("threads", [1, 2])
def test_the_memory_cap_is_kept_and_the_states_found_can_still_be_asked_for(threads: int) -> None:
    cap = 48 << 20
    with Explorer(endless(), Effort(threads=threads, bytes=cap)) as explorer:
        outcome = explorer.run()
        assert outcome.status is Status.MEMORY_CAP
        assert outcome.bytes <= cap
        assert outcome.states > 500_000
        explorer.assert_consistent()
        key = next(iter(explorer.states()))
        path = explorer.paths([key])[0]
        assert len(path.picks) == key[1]
        assert path.keys[0] == 0


@pytest.mark.parametrize("mebibytes", [33, 34, 40])
def test_memory_that_runs_out_while_a_table_grows_twice_costs_no_state(mebibytes: int) -> None:
    """So full a table, with two bits for displacements, needs to grow again before all entries lie right.

    Memory for the second time used to be asked for only then. Where it was refused the table was lost, and
    the search ended in a crash.
    """
    library = build(ENDLESS, "-O2", "-DSG_SHIFT_BITS=2", "-DSG_LOAD=0.93")
    with Explorer(library, Effort(threads=1, bytes=mebibytes << 20)) as explorer:
        outcome = explorer.run()
        assert outcome.status is Status.MEMORY_CAP
        assert outcome.bytes <= mebibytes << 20
        assert len(list(explorer.states())) == outcome.states > 10_000
        explorer.assert_consistent()


@pytest.mark.parametrize("threads", [1, 2])
def test_too_little_memory_to_begin_is_said_with_what_would_be_enough(threads: int) -> None:
    with pytest.raises(UsageError, match="limit of 1,000 bytes is too little") as refused:
        Explorer(endless(), Effort(threads=threads, bytes=1000))
    found = re.search(r"begins with (\d+) MiB", str(refused.value))
    assert found is not None
    with Explorer(endless(), Effort(threads=threads, bytes=int(found[1]) << 20)) as explorer:
        assert explorer.run().status is Status.MEMORY_CAP


@pytest.mark.parametrize("threads", [1, 2])
def test_the_time_limit_ends_a_search(threads: int) -> None:
    began = time.monotonic()
    with Explorer(endless(), Effort(threads=threads, bytes=1 << 30).within(0.3)) as explorer:
        outcome = explorer.run()
    assert outcome.status is Status.TIME_LIMIT
    assert outcome.levels >= 1
    assert time.monotonic() - began < 10


def test_no_time_at_all_covers_nothing() -> None:
    with Explorer(endless(), Effort(threads=1).within(0)) as explorer:
        outcome = explorer.run()
    assert (outcome.status, outcome.levels) == (Status.TIME_LIMIT, 0)


@pytest.mark.skipif(os.name == "nt", reason="signals to oneself are a POSIX matter")
def test_ctrl_c_ends_a_search_with_a_partial_outcome() -> None:
    # Whoever runs the tests in the background may have the signal ignored.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    timer = threading.Timer(0.3, lambda: os.kill(os.getpid(), signal.SIGINT))
    with Explorer(endless(), Effort(threads=2, bytes=1 << 30)) as explorer:
        timer.start()
        outcome = explorer.run()
        timer.join()
    signal.signal(signal.SIGINT, before)
    assert outcome.status is Status.INTERRUPT
    assert outcome.states > 1


@pytest.mark.skipif(os.name == "nt", reason="signals to oneself are a POSIX matter")
def test_ctrl_c_ends_the_search_for_ways_back_and_those_that_would_follow(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The engine's call is stood in for by one that goes on until it is told to stop."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    with Explorer(counters("2, 2, 2, 2"), Effort(threads=1)) as explorer:
        explorer.run()
        called: list[int] = []

        def sg_closure_of(*_: object) -> int:
            called.append(explorer._counters.stop)
            time.sleep(0.1)
            os.kill(os.getpid(), signal.SIGINT)
            while not explorer._counters.stop:
                time.sleep(0.01)
            return Code.STOPPED

        monkeypatch.setattr(explorer, "_lib", SimpleNamespace(sg_closure_of=sg_closure_of))
        assert explorer.closure() is None
        assert explorer.interrupted
        assert explorer.closure() is None
        monkeypatch.undo()
    signal.signal(signal.SIGINT, before)
    assert called == [0], "once"


def test_progress_is_told_while_a_search_runs() -> None:
    told: list[Progress] = []
    with Explorer(endless(), Effort(threads=2, bytes=1 << 30).within(0.5)) as explorer:
        outcome = explorer.run(told.append)
    assert len(told) >= 3
    assert [item.states for item in told] == sorted(item.states for item in told)
    assert 0 < told[-1].states <= outcome.states
    assert told[-1].frontier > 0


def test_a_progress_call_that_fails_ends_the_search() -> None:
    def fail(_: Progress) -> None:
        raise RuntimeError("the terminal is gone")

    with (
        Explorer(endless(), Effort(threads=1, bytes=1 << 30)) as explorer,
        pytest.raises(RuntimeError, match="terminal is gone"),
    ):
        explorer.run(fail)


# -- faults of a step -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("step", "message"),
    [
        ("for (int i = 0; i < 200; i++) s += sg_choose(c, 1);", "more choices than were counted"),
        ("s += sg_choose(c, 0);", "between none"),
        ("s += sg_choose(c, 70000);", "between none, or between more than were counted"),
        ("static int calls; if (calls++ % 2 == 0) s += sg_choose(c, 3); else s += 1;", "not a function"),
        ("s += 256;", "outside the packed state"),
    ],
)
@pytest.mark.parametrize("threads", [1, 2])
def test_a_faulty_step_is_refused(step: str, message: str, threads: int) -> None:
    library = build(one_stage("", step, bits=8))
    with (
        Explorer(library, Effort(threads=threads)) as explorer,
        pytest.raises(ProgramFault, match=message),
    ):
        explorer.run()


def test_a_break_before_the_first_step_is_refused() -> None:
    library = build(one_stage("sg_break(c, 0);", "(void)c;", bits=8))
    with Explorer(library) as explorer, pytest.raises(ProgramFault, match="start state reports"):
        explorer.run()


def test_a_depth_beyond_its_field_is_a_limit_and_not_a_wrong_depth() -> None:
    library = build(
        one_stage("", "s = (s + 1) % 1000; (void)c;", bits=32), "-DSG_DEPTH_BITS=4", "-DSG_TRACE_BITS=24"
    )
    field = Library(library).shape.max_depth
    assert field < 1000
    with Explorer(library) as explorer:
        outcome = explorer.run()
        assert outcome.status is Status.DEPTH_FIELD
        assert outcome.levels == field
        assert explorer.depth_of(field) == field
    deep = build(one_stage("", "s = (s + 1) % 1000; (void)c;", bits=32))
    with Explorer(deep) as explorer:
        assert explorer.run().levels == 1000


def test_asking_for_what_does_not_exist_is_refused() -> None:
    library = build(one_stage("", "s = (s + sg_choose(c, 2)) % 5;", bits=8))
    with Explorer(library) as explorer:
        with pytest.raises(ProgramFault, match="out of order"):
            explorer.paths([(0, 0)])
        explorer.run()
        assert explorer.depth_of(4) == 4
        assert explorer.depth_of(7) is None
        with pytest.raises(ProgramFault, match="does not exist"):
            explorer.paths([(7, 1)])
        with pytest.raises(ProgramFault, match="does not exist"):
            explorer.paths([(4, 3)])
        with pytest.raises(ProgramFault, match="does not exist"):
            explorer.step(0, (2,))
        with pytest.raises(ProgramFault, match="outside the packed state"):
            explorer.depth_of(256)


def test_a_library_that_is_no_checker_is_refused(tmp_path: Path) -> None:
    text = tmp_path / "checker.so"
    text.write_text("not a library")
    with pytest.raises(ProgramFault, match="cannot be used as a checker"):
        Explorer(text)


def test_a_library_of_other_sources_is_refused() -> None:
    library = build("const unsigned sg_shape[18] = {8, 1, 1, 1, 0, 1, 64};")
    with pytest.raises(ProgramFault, match="built from other sources"):
        Explorer(library)


def test_the_headers_are_clean_c11() -> None:
    """-Wall -Wextra -Werror are in OPTIONS; here also conversions and the standard's own dialect."""
    assert "-Werror" in OPTIONS
    build(table_machine(93), "-O1", "-std=c11", "-D_DEFAULT_SOURCE", "-Wconversion", "-Wshadow")


@pytest.mark.parametrize("bits", range(1, 8))
def test_keys_of_a_few_bits_work(bits: int) -> None:
    library = build(one_stage("", f"s = (s * 2 + sg_choose(c, 2)) % {1 << bits};", bits=bits))
    with Explorer(library, Effort(threads=2)) as explorer:
        assert explorer.run().states == 1 << bits
        explorer.assert_consistent()


# -- published machines -----------------------------------------------------------------------------

PETERSON = """
unsigned at[2] = {{s & 3, s >> 2 & 3}}, turn = s >> 4 & 1;
if (at[0] == {critical} && at[1] == {critical}) sg_break(c, 0);
unsigned me = sg_choose(c, 2), other = 1 - me;
(void)other;
{moves}
s = at[0] | at[1] << 2 | turn << 4;
"""
COMPACT = """
if (at[me] == 0) { at[me] = 1; turn = other; }
else if (at[me] == 1) { if (at[other] == 0 || turn == me) at[me] = 2; }
else at[me] = 0;
"""
FOUR = """
if (at[me] == 0) { %s at[me] = 1; }
else if (at[me] == 1) { %s at[me] = 2; }
else if (at[me] == 2) { if (at[other] < %d || turn == me) at[me] = 3; }
else at[me] = 0;
"""
SEMAPHORE = """
if (at[me] == 0) at[me] = 1;
else if (at[me] == 1) { if (at[other] != 2) at[me] = 2; }
else at[me] = 0;
"""


@pytest.mark.parametrize(
    ("moves", "critical", "states", "moving", "exclusive"),
    [
        (SEMAPHORE, 2, 8, 14, True),
        (COMPACT, 2, 10, 16, True),
        (FOUR % ("", "turn = other;", 1), 3, 20, 34, True),
        (FOUR % ("turn = other;", "", 2), 3, 32, None, False),
    ],
    ids=["semaphore", "compact", "four locations", "wrong order"],
)
def test_two_processes_have_the_known_numbers_of_states(
    moves: str, critical: int, states: int, moving: int | None, exclusive: bool
) -> None:
    """Peterson 1981, and a semaphore; turn is 1 at first.

    Counts by breadth-first search from first principles; Baier and Katoen 2008 draw the ten
    states of the compact form (from memory).
    """
    start = "s = 16;" if "turn" in moves else ""
    library = build(one_stage(start, PETERSON.format(critical=critical, moves=moves), bits=5))
    with Explorer(library) as explorer:
        outcome = explorer.run()
        assert outcome.states == states
        assert (explorer.record(0) is None) is exclusive
        if moving is not None:
            edges = {
                (key, item.to)
                for key, _ in explorer.states()
                for item in explorer.successors(key)
                if item.to != key
            }
            assert len(edges) == moving
        assert outcome.stuck is None


PHILOSOPHERS = """
enum {{ N = {count} }};
unsigned at[N], me = sg_choose(c, N), left, right;
for (unsigned i = 0; i < N; i++) at[i] = s >> 2 * i & 3; /* thinks, holds the first fork, eats */
left = (me + N - 1) % N; right = (me + 1) % N;
unsigned turned = {turned}; /* the last one takes the right fork first */
/* fork i lies between i - 1 (as its right fork) and i (as its left fork) */
unsigned left_taken = at[left] == 2 || (at[left] == 1 && turned && left == N - 1);
unsigned right_taken = at[right] == 2 || (at[right] == 1 && !(turned && right == N - 1));
unsigned first = turned && me == N - 1 ? right_taken : left_taken;
unsigned second = turned && me == N - 1 ? left_taken : right_taken;
if (at[me] == 0 && !first) at[me] = 1;
else if (at[me] == 1 && !second) at[me] = 2;
else if (at[me] == 2) at[me] = 0;
s = 0;
for (unsigned i = 0; i < N; i++) s |= (uint64_t)at[i] << 2 * i;
"""


@pytest.mark.parametrize(
    ("count", "states", "edges", "turned_states"),
    [
        (2, 6, 8, 5),
        (3, 14, 27, 12),
        (4, 34, 88, 29),
        (5, 82, 265, 70),
        (6, 198, 768, 169),
        (7, 478, 2163, 408),
        (8, 1154, 5968, 985),
    ],
)
def test_dining_philosophers_have_the_known_numbers_of_states(
    count: int, states: int, edges: int, turned_states: int
) -> None:
    """Dijkstra: Pell-Lucas numbers and one deadlock; with one of them turned round, Pell numbers and none.

    Recomputed from first principles; the closed form is (1 + sqrt 2)^N + (1 - sqrt 2)^N.
    """
    assert states == round((1 + 2**0.5) ** count + (1 - 2**0.5) ** count)
    for turned, expected in ((0, states), (1, turned_states)):
        library = build(one_stage("", PHILOSOPHERS.format(count=count, turned=turned), bits=2 * count))
        with Explorer(library) as explorer:
            outcome = explorer.run()
            assert outcome.states == expected
            if turned:
                assert outcome.stuck is None
            else:
                assert outcome.stuck is not None
                assert (outcome.stuck.states, outcome.stuck.depth) == (1, count)  # all hold their first fork
                moves = {
                    (key, item.to)
                    for key, _ in explorer.states()
                    for item in explorer.successors(key)
                    if item.to != key
                }
                assert len(moves) == edges
