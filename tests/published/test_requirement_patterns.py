"""Verdicts of monitors on finite traces against rtamt, a monitor of signal temporal logic.

Outside reference: rtamt's discrete-time evaluation (Nickovic and Yamaguchi, ATVA 2020) of the
formulas that Konrad and Cheng (ICSE 2005) and Dwyer, Avrunin, Corbett (ICSE 1999) give for
the patterns. Time runs at the scan, so limits differ from the published formula by our own
rounding only: ``within t`` allows floor((t - scan) / scan) ticks, since a switch may change
just after it was sampled, and ``for t`` needs ceil(t / scan). Both are computed here anew.

A monitor reports the instant of the break; a formula the instant whose future is bad.
Compared is the first break. An obligation still open at the end of a trace is no break.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.loop.interpreter import LoopRunner

rtamt = pytest.importorskip("rtamt", reason="rtamt is for Python up to 3.12")

SCAN = 10  # ms
SIGNALS = ("p", "q", "other")
Trace = list[tuple[int, int, int]]

# Two instants at least: rtamt cannot measure the period of one.
sparse = st.lists(st.tuples(*[st.sampled_from((0, 0, 1))] * 3), min_size=2, max_size=25)
dense = st.lists(st.tuples(*[st.integers(0, 1)] * 3), min_size=2, max_size=25)
many_traces = st.one_of(sparse, dense)
limits = st.integers(0, 5)


@cache
def formula(text: str) -> Any:
    """A parsed formula over p, q and other; ``p`` there means ``p > 0.5``."""
    found = rtamt.StlDiscreteTimeSpecification()
    for name in SIGNALS:
        found.declare_var(name, "float")
        text = text.replace(f"<{name}>", f"({name} > 0.5)")
    found.spec = text
    found.parse()
    return found


def holds_at(text: str, trace: Trace) -> list[bool]:
    """By rtamt: whether the formula holds at each instant, nothing being known beyond the end."""
    data: dict[str, list[float]] = {"time": list(range(len(trace)))}
    data |= {name: [float(row[i]) for row in trace] for i, name in enumerate(SIGNALS)}
    return [robustness > 0 for _, robustness in formula(text).evaluate(data)]


def first_false(text: str, trace: Trace, *, before: int = 0) -> int | None:
    """First instant at which the formula is false, ``before`` instants of all false preceding."""
    padded = [(0, 0, 0)] * before + trace
    return next((i for i, good in enumerate(holds_at(text, padded)[before:]) if not good), None)


@cache
def runner_of(requirement: tuple[tuple[str, str], ...], lazy: bool) -> LoopRunner:
    machine = Machine.model_validate({
        "machine": "watched",
        "scan": f"{SCAN} ms",
        "inputs": {name: {} for name in SIGNALS},
        "outputs": {"lamp": {}},
        "sequences": {"s": {"start": "on", "states": {"on": {"on": ["lamp"], "end": True}}}},
        "requirements": {"r": dict(requirement)},
    })  # fmt: skip
    return LoopRunner(close_loop(machine, tick=SCAN, faults=0, lazy=lazy))


def first_break(requirement: dict[str, str], trace: Trace, *, lazy: bool = False) -> int | None:
    """By the monitor: the first instant in which it reports a break."""
    runner = runner_of(tuple(requirement.items()), lazy)
    runner.begin(lambda name, count: 0)
    for instant, row in enumerate(trace):
        values = dict(zip(SIGNALS, row, strict=True))
        tick = runner.step(lambda name, count, values=values: values[name.removesuffix(".circuit")])
        if tick.broken:
            return instant
    return None


def both_ways(requirement: dict[str, str], trace: Trace) -> int | None:
    eager = first_break(requirement, trace)
    assert first_break(requirement, trace, lazy=True) == eager
    return eager


quick = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))


@quick
@given(many_traces)
def test_never_breaks_at_the_first_instant_that_is_so(trace: Trace) -> None:
    assert both_ways({"never": "p and q"}, trace) == first_false("not(<p> and <q>)", trace)


@quick
@given(many_traces)
def test_always_breaks_at_the_first_instant_that_is_not_so(trace: Trace) -> None:
    assert both_ways({"always": "p or not q"}, trace) == first_false("<p> or not <q>", trace)


@quick
@given(many_traces, limits, st.integers(0, SCAN - 1))
@example([(1, 0, 0), (0, 0, 0), (0, 1, 0)], 2, 0)
@example([(1, 0, 0), (0, 0, 0), (0, 0, 0)], 2, 9)
def test_bounded_response_breaks_when_the_first_unserved_trigger_is_due(
    trace: Trace, ticks: int, rest: int
) -> None:
    """G (p -> F[0,n] q) of rtamt, false at i, is reported at i + n: nothing before can tell."""
    within = SCAN * (ticks + 1) + rest  # floor((within - scan) / scan) = ticks
    inner = "<q>" if ticks == 0 else f"eventually[0:{ticks}] <q>"
    good = holds_at(f"<p> -> ({inner})", trace)
    due = [i + ticks for i, item in enumerate(good) if not item and i + ticks < len(trace)]
    found = both_ways({"after": "p", "then": "q", "within": f"{within} ms"}, trace)
    assert found == min(due, default=None)


@quick
@given(many_traces, limits, st.integers(0, SCAN - 1))
@example([(1, 1, 0), (0, 1, 0), (0, 1, 0), (0, 0, 0)], 2, 0)
@example([(1, 1, 0), (0, 1, 0), (0, 0, 0)], 2, 0)
def test_bounded_invariance_breaks_at_the_first_gap(trace: Trace, ticks: int, rest: int) -> None:
    """G (p -> G[0,n] q): reported at the gap itself, which the past form of it names."""
    during = max(0, SCAN * ticks - rest)  # ceil(during / scan) = ticks
    past = "<p>" if ticks == 0 else f"once[0:{ticks}] <p>"
    future = "<q>" if ticks == 0 else f"always[0:{ticks}] <q>"
    found = both_ways({"after": "p", "keep": "q", "for": f"{during} ms"}, trace)
    assert found == first_false(f"({past}) -> <q>", trace)
    assert (found is None) == (first_false(f"<p> -> ({future})", trace) is None)


@quick
@given(many_traces)
def test_precedence_breaks_at_the_first_p_before_any_q(trace: Trace) -> None:
    """not p W q, globally; in past form p -> once q."""
    found = both_ways({"before": "p", "first": "q"}, trace)
    assert found == first_false("<p> -> (once <q>)", trace)


@quick
@given(many_traces)
@example([(0, 1, 0), (0, 0, 1), (1, 0, 0)])
@example([(0, 1, 1), (1, 0, 0)])
def test_precedence_since_breaks_at_the_first_p_without_q_from_then_on(trace: Trace) -> None:
    """p -> (not r since q): a q in the same instant as r counts."""
    found = both_ways({"before": "p", "first": "q", "since": "other"}, trace)
    assert found == first_false("<p> -> ((not <other>) since <q>)", trace)


@quick
@given(many_traces, limits)
def test_held_is_true_from_the_instant_at_which_the_time_is_over(trace: Trace, ticks: int) -> None:
    """held(p, n) is historically[0,n] p, the past before power-on being false.

    Ours, not a published rule: where its truth breaks, p may have come a scan before it was seen.
    """
    certain, possible = (
        "<p>" if count <= 0 else f"historically[0:{count}] <p>" for count in (ticks, ticks - 1)
    )
    held = f"held(p, {ticks * SCAN} ms)"
    assert first_break({"always": held}, trace) == first_false(certain, trace, before=ticks + 1)
    assert first_break({"never": held}, trace) == first_false(f"not ({possible})", trace, before=ticks + 1)


@quick
@given(many_traces)
@pytest.mark.parametrize(("word", "text"), [("rising", "rise(<p>)"), ("falling", "fall(<p>)")])
def test_edges_are_those_of_rtamt(word: str, text: str, trace: Trace) -> None:
    """The instant before power-on counts as false: a first true rises, a first false does not fall."""
    assert first_break({"never": f"{word}(p)"}, trace) == first_false(f"not {text}", trace, before=1)


@pytest.mark.parametrize("within", [0, 1, SCAN - 1])
def test_a_limit_shorter_than_the_scan_cannot_be_met(within: int) -> None:
    """Ours, not a published rule: a switch may change just after it was sampled."""
    trace: Trace = [(0, 1, 0), (1, 1, 0)]
    assert both_ways({"after": "p", "then": "q", "within": f"{within} ms"}, trace) == 1


@quick
@given(many_traces, st.integers(1, 4))
def test_random_traces_break_and_keep_the_response(trace: Trace, ticks: int) -> None:
    """Whatever the trace, cutting it before the break leaves a trace without one."""
    requirement = {"after": "p", "then": "q", "within": f"{SCAN * (ticks + 1)} ms"}
    found = first_break(requirement, trace)
    assume(found is not None)
    assert found is not None
    assert first_break(requirement, trace[:found]) is None
