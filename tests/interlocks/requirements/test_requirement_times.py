"""Times of requirements against runs in dense time, worked out without the Program.

An input changes at any millisecond, once between two scans at most; states and outputs change at scans. A
run in dense time is judged by the formulas of metric temporal logic (Koymans 1990), read off the run
millisecond by millisecond; the monitors see its levels at the scans. They must report a break wherever the
run has one, and, for ``never``, where no run that is seen alike has one they must not.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest

from stillgate.controller.expressions.expression import HeldFor, walk
from stillgate.controller.expressions.grammar import parse_expression
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.namespace import Namespace
from stillgate.interlocks.checking.assumptions import assumptions_of
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.requirements import requirement_lowering as requirement_terms
from stillgate.interlocks.requirements import requirement_times
from stillgate.interlocks.requirements.requirement_times import held_ticks, sided_holds

SCAN = 100
SCANS = 10
TIMES = (0, 30, 100, 150, 200, 250, 300, 390, 400)
END = SCAN * SCANS


def machine_of(requirement: dict[str, str], *, scan: int = SCAN) -> Machine:
    """Outputs a and b follow their buttons in the very scan; x is read by nobody but the requirement."""

    def follower(name: str) -> dict[str, object]:
        return {
            "start": "off",
            "states": {
                "off": {"exits": [{"when": f"press_{name}", "to": "on"}]},
                "on": {"on": [name], "exits": [{"when": f"not press_{name}", "to": "off"}]},
            },
        }

    return Machine.model_validate({
        "machine": "times",
        "scan": f"{scan} ms",
        "inputs": {name: {} for name in ("x", "press_a", "press_b")},
        "outputs": {"a": {}, "b": {}},
        "sequences": {"for_a": follower("a"), "for_b": follower("b")},
        "requirements": {"it": requirement},
        "check": {"faults": 0},
    })  # fmt: skip


@dataclass(frozen=True)
class Run:
    """A run in dense time: x at every millisecond, the outputs at every scan."""

    x: tuple[bool, ...]
    a: tuple[bool, ...]
    b: tuple[bool, ...]

    def out(self, name: str, time: int) -> bool:
        return bool(getattr(self, name)[time // SCAN])

    def x_held(self, span: int, time: int) -> bool:
        return time >= span and all(self.x[time - span : time + 1])

    def out_held(self, name: str, span: int, time: int) -> bool:
        return time >= span and all(self.out(name, at) for at in range(time - span, time + 1))


def seen(chance: random.Random) -> tuple[bool, ...]:
    """Levels at the scans, with stretches long enough for the times asked for."""
    levels: list[bool] = []
    while len(levels) < SCANS:
        levels += [chance.random() < 0.6] * chance.choice((1, 2, 3, 5, 7))
    return tuple(levels[:SCANS])


def dense(levels: tuple[bool, ...], moment: Callable[[bool], int]) -> tuple[bool, ...]:
    """Level at every millisecond; ``moment`` says how many ms after a scan the change falls, 1 to 100."""
    found = [levels[0]]
    for before, after in zip(levels, (*levels[1:], levels[-1]), strict=True):
        change = moment(after) if before != after else SCAN
        found += [before] * (change - 1) + [after] * (SCAN - change + 1)
    return tuple(found[:END])


def monitor_breaks(requirement: dict[str, str], run: Run) -> bool:
    runner = LoopRunner(close_loop(machine_of(requirement), tick=SCAN, faults=0, lazy=False))
    runner.begin(lambda name, count: 0)
    broken = False
    for at in range(SCANS):
        levels = {"x": run.x[at * SCAN], "press_a": run.a[at], "press_b": run.b[at]}
        done = runner.step(lambda name, count, levels=levels: int(levels[name.removesuffix(".circuit")]))
        broken = broken or bool(done.broken)
    return broken


Judge = Callable[[Run, int, int], bool]
"""Whether a run in dense time breaks a requirement with the times t and u."""


def _everywhere() -> range:
    return range(END)


def _scans() -> range:
    return range(0, END, SCAN)


def _unserved(run: Run, triggers: Iterator[int], limit: int) -> bool:
    """Whether b is off from a trigger for the limit, as far as the run tells."""
    return any(
        start + limit < END and not any(run.out("b", at) for at in range(start, start + limit + 1))
        for start in triggers
    )


def _dropped(run: Run, triggers: Iterator[int], span: int) -> bool:
    return any(
        not run.out("b", at) for start in triggers for at in range(start, min(start + span, END - 1) + 1)
    )


def _first_seen(run: Run) -> Iterator[int]:
    """When x is true, from the scan that sees it on: a condition without a time is judged at scans."""
    return (at for at in _everywhere() if run.x[at] and run.x[at // SCAN * SCAN])


JUDGED: dict[str, tuple[dict[str, str], Judge]] = {
    "held input breaks": (
        {"never": "held(x, {t} ms) and a"},
        lambda run, t, _: any(run.x_held(t, at) and run.out("a", at) for at in _everywhere()),
    ),
    "held input satisfies": (
        {"never": "a and not held(x, {t} ms)"},
        lambda run, t, _: any(run.out("a", at) and not run.x_held(t, at) for at in _scans()),
    ),
    "always, of a held input": (
        {"always": "held(x, {t} ms) or not a"},
        lambda run, t, _: any(run.out("a", at) and not run.x_held(t, at) for at in _scans()),
    ),
    "held input on both sides": (
        {"never": "held(x, {t} ms) = a"},
        lambda run, t, _: (
            any(run.x_held(t, at) and run.out("a", at) for at in _everywhere())
            or any(not run.x_held(t, at) and not run.out("a", at) for at in _scans())
        ),
    ),
    "two held on both sides": (
        {"never": "not (held(x, {t} ms) xor (held(a, {u} ms) <> b))"},
        lambda run, t, u: any(
            run.x_held(t, at) == (run.out_held("a", u, at) != run.out("b", at)) for at in _scans()
        ),
    ),
    "held output breaks": (
        {"never": "held(a, {t} ms) and b"},
        lambda run, t, _: any(run.out_held("a", t, at) and run.out("b", at) for at in _everywhere()),
    ),
    "held state satisfies": (
        {"never": "b and not held(for_a.on, {t} ms)"},
        lambda run, t, _: any(run.out("b", at) and not run.out_held("a", t, at) for at in _scans()),
    ),
    "held mix breaks": (
        {"never": "held(x and a, {t} ms) and b"},
        lambda run, t, _: any(
            run.x_held(t, at) and run.out_held("a", t, at) and run.out("b", at) for at in _everywhere()
        ),
    ),
    "within": (
        {"after": "x", "then": "b", "within": "{t} ms"},
        lambda run, t, _: _unserved(run, (at for at in _everywhere() if run.x[at]), t),
    ),
    "for": (
        {"after": "x", "keep": "b", "for": "{t} ms"},
        lambda run, t, _: _dropped(run, _first_seen(run), t),
    ),
    "held trigger within": (
        {"after": "held(x, {t} ms)", "then": "b", "within": "{u} ms"},
        lambda run, t, u: _unserved(run, (at for at in _everywhere() if run.x_held(t, at)), u),
    ),
    "held first": (
        {"before": "a", "first": "held(x, {t} ms)"},
        lambda run, t, _: any(
            run.out("a", at) and not any(run.x_held(t, before) for before in range(at + 1)) for at in _scans()
        ),
    ),
}


def filled(requirement: dict[str, str], t: int, u: int) -> dict[str, str]:
    return {key: text.format(t=t, u=u) for key, text in requirement.items()}


def disagreements(name: str, count: int) -> tuple[list[tuple[int, int, Run]], set[bool]]:
    """Runs that break the requirement where the monitor says nothing, and what the runs did."""
    text, judge = JUDGED[name]
    chance = random.Random(name)
    missed: list[tuple[int, int, Run]] = []
    met: set[bool] = set()
    for _ in range(count):
        t, u = chance.choice(TIMES), chance.choice(TIMES)
        run = Run(dense(seen(chance), lambda _: chance.randint(1, SCAN)), seen(chance), seen(chance))
        met.add(broken := judge(run, t, u))
        if broken and not monitor_breaks(filled(text, t, u), run):
            missed.append((t, u, run))
    return missed, met


@pytest.mark.parametrize("name", JUDGED)
def test_what_a_run_in_dense_time_breaks_the_monitor_breaks(name: str) -> None:
    missed, met = disagreements(name, 60)
    assert met == {True, False}, "the runs must break it and keep it"
    assert not missed, missed[0][:2]


@pytest.mark.parametrize("name", ["held input breaks", "held output breaks"])
def test_what_no_run_breaks_that_is_seen_alike_the_monitor_does_not_break(name: str) -> None:
    """The worst run: x comes just after a scan and goes just before one. From a time of one scan on."""
    text, judge = JUDGED[name]
    chance = random.Random(name)
    for _ in range(60):
        t = chance.choice([time for time in TIMES if time >= SCAN])
        levels = (False, *seen(chance)[1:])  # a run in dense time knows nothing from before power-on
        run = Run(dense(levels, lambda rises: 1 if rises else SCAN), seen(chance), seen(chance))
        assert judge(run, t, 0) == monitor_breaks(filled(text, t, 0), run), t


@pytest.mark.parametrize("name", ["held input breaks", "held input on both sides", "held output breaks"])
def test_the_rounding_of_before_is_met(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every ``held`` from ceil(t / tick) on: runs that break the requirement go unsaid."""

    def rounded_up(node: HeldFor, *_: object, **__: object) -> int:
        return -(-node.milliseconds // SCAN)

    monkeypatch.setattr(requirement_terms, "held_ticks", rounded_up)
    missed, _ = disagreements(name, 60)
    assert missed


@pytest.mark.parametrize(
    ("text", "tick", "ticks"),
    [
        ("held(x, 5 s)", 100, {True: 49, False: 50}),
        ("held(x, 5.1 s)", 1000, {True: 5, False: 6}),
        ("held(x, 250 ms)", 100, {True: 1, False: 3}),
        ("held(x, 50 ms)", 100, {True: -1, False: 1}),
        ("held(x, 0 ms)", 100, {True: 0, False: 0}),
        ("held(a, 250 ms)", 100, {True: 2, False: 3}),
        ("held(for_a.on, 300 ms)", 100, {True: 3, False: 3}),
        ("held(seen.x and asked.a, 300 ms)", 100, {True: 3, False: 3}),
        ("held(x and for_a.on, 300 ms)", 100, {True: 2, False: 3}),
    ],
)
def test_held_is_rounded_against_the_machine(text: str, tick: int, ticks: dict[bool, int]) -> None:
    names = Namespace(machine_of({"never": text}))
    (node,) = (item for item in walk(parse_expression(text)) if isinstance(item, HeldFor))
    found = {breaks: held_ticks(node, names, SCAN, tick, breaks=breaks) for breaks in (True, False)}
    assert found == ticks


@pytest.mark.parametrize(
    ("text", "sides"),
    [
        ("held(x, 1 s)", [True]),
        ("not (a and not held(x, 1 s))", [True]),
        ("a or not held(x, 1 s)", [False]),
        ("not not held(x, 1 s)", [True]),
        ("held(x, 1 s) xor a", [True, False]),
        ("not (held(x, 1 s) = a)", [True, False]),
    ],
)
def test_each_held_takes_the_side_that_its_truth_is_on(text: str, sides: list[bool]) -> None:
    assert [side for _, side in sided_holds(parse_expression(text), breaks=True)] == sides


def test_the_truth_of_a_condition_breaks_or_satisfies_by_its_key() -> None:
    sides = {
        key: breaks
        for requirement in (
            {"never": "a"}, {"always": "a"}, {"after": "a", "then": "b", "within": "1 s"},
            {"after": "a", "keep": "b", "for": "1 s"}, {"before": "a", "first": "b", "since": "x"},
            {"reach": "a"}, {"from_anywhere": "a"},
        )
        for (key, _), (_, breaks) in zip(
            requirement_times.requirement_conditions(machine_of(requirement).requirements["it"]),
            requirement_times.sided_conditions(machine_of(requirement).requirements["it"]),
            strict=True,
        )
    }  # fmt: skip
    assert sides == {
        "never": True, "always": False, "after": True, "then": False, "keep": False,
        "before": True, "first": False, "since": True, "reach": False, "from_anywhere": False,
    }  # fmt: skip


def test_operators_that_take_both_sides_may_nest_deeply() -> None:
    """Each operand is worked out once, so the program grows with the text and not with its square."""
    text = " xor ".join(["held(x, 1 s)"] * 40)
    loop = close_loop(machine_of({"never": text}), tick=SCAN, faults=0)
    assert len(loop.monitors.block) < 200


def test_the_assumptions_name_every_held_that_counts_from_another_time_on() -> None:
    def said(text: str) -> str:
        lines = assumptions_of(machine_of({"never": text}), SCAN, 0)
        return next((line for line in lines if "times of 'held'" in line), "")

    assert "it: held(x, 300 ms) counts from 2 ticks on where its truth can break" in said("held(x, 300 ms)")
    both = said("held(x, 250 ms) = a")
    assert "from 1 tick on where its truth can break" in both
    assert "from 3 ticks on where its truth can satisfy" in both
    assert "counts in every tick, for it is shorter than a scan" in said("held(x, 50 ms) and a")
    assert said("held(a, 300 ms) or not held(x, 300 ms) or held(x, 0 ms)") == ""
