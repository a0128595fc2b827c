"""Each pattern breaks and holds on traces written out, the instant of the break included.

Tables read like timing charts: a column an instant, ``1`` for true. The rules tested are
those at the head of ``monitors.py``; the published formulas are tested against rtamt in
``tests/published/test_requirement_patterns.py``.
"""

from __future__ import annotations

import pytest

from python_search import leaves
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.interpreter import Chooser, LoopRunner, Tick
from stillgate.interlocks.loop.state_layout import Key
from stillgate.interlocks.requirements.requirement_times import response_ticks

SCAN = 10
SIGNALS = ("p", "q", "r")


def loop_of(requirement: dict[str, str], *, tick: int = SCAN, faults: int = 0) -> ClosedLoop:
    machine = Machine.model_validate({
        "machine": "watched",
        "scan": f"{SCAN} ms",
        "inputs": {name: {} for name in SIGNALS},
        "outputs": {"lamp": {}},
        "sequences": {"s": {"start": "a", "states": {"a": {"on": ["lamp"], "end": True}}}},
        "requirements": {"it": requirement},
        "check": {"faults": faults},
    })  # fmt: skip
    return close_loop(machine, tick=tick, faults=faults, lazy=False)


def breaks(requirement: dict[str, str], *, tick: int = SCAN, **rows: str) -> str:
    """The instants in which the requirement is reported broken, as a row."""
    runner = LoopRunner(loop_of(requirement, tick=tick))
    runner.begin(lambda name, count: 0)
    length = len(rows["p"])
    found = ""
    for at in range(length):
        levels = {name: int(rows.get(name, "0" * length)[at]) for name in SIGNALS}
        done = runner.step(lambda name, count, levels=levels: levels[name.removesuffix(".circuit")])
        found += str(int(bool(done.broken)))
    return found


# -- absence and universality --------------------------------------------------------------------


def test_never_is_broken_in_every_instant_that_is_so() -> None:
    assert breaks({"never": "p and q"}, p="0110", q="0101") == "0100"
    assert breaks({"never": "p"}, p="0110") == "0110"


def test_always_is_broken_in_every_instant_that_is_not_so() -> None:
    assert breaks({"always": "p or q"}, p="0110", q="0001") == "1000"


# -- bounded response ----------------------------------------------------------------------------

RESPONSE = {"after": "p", "then": "q", "within": "30 ms"}  # floor((30 - 10) / 10) = 2 ticks


@pytest.mark.parametrize(
    ("p", "q", "expected"),
    [
        ("01000", "01000", "00000"),  # the same instant counts
        ("01000", "00010", "00000"),  # the limit is inclusive
        ("01000", "00001", "00010"),  # one tick late
        ("01110", "00001", "00010"),  # the oldest trigger is timed
        ("01010", "00100", "00000"),  # served, then waiting: no break, no pass
        ("01000", "10000", "00010"),  # an answer before the question is none
        ("01001", "00010", "00000"),  # the second is still open at the end
    ],
)
def test_a_response_times_the_oldest_unserved_trigger(p: str, q: str, expected: str) -> None:
    assert breaks(RESPONSE, p=p, q=q) == expected


def test_a_broken_response_drops_its_obligation_and_goes_on() -> None:
    """Broken at 2; the trigger of instant 3 is a new one and is broken at 5."""
    assert breaks(RESPONSE, p="10010000", q="00000000") == "00100100"


def test_a_level_that_stays_triggers_in_every_instant() -> None:
    assert breaks(RESPONSE, p="11111111", q="00000000") == "00100100"
    assert breaks(RESPONSE, p="11111111", q="00100100") == "00000000"


@pytest.mark.parametrize(
    ("within", "tick", "ticks"),
    [
        (0, 10, -1),
        (9, 10, -1),
        (10, 10, 0),
        (29, 10, 1),
        (30, 10, 2),
        (200, 100, 1),
        (109, 100, 0),
        (110, 100, 1),
    ],
)
def test_a_limit_is_rounded_down_after_one_scan_for_the_sampling(within: int, tick: int, ticks: int) -> None:
    """floor((t - scan) / tick)."""
    assert response_ticks(within, SCAN, tick) == ticks


def test_a_limit_shorter_than_the_scan_is_broken_by_its_trigger() -> None:
    assert breaks(RESPONSE | {"within": "9 ms"}, p="0110", q="1111") == "0110"


def test_a_limit_of_the_scan_needs_the_answer_in_the_same_instant() -> None:
    assert breaks(RESPONSE | {"within": "10 ms"}, p="0110", q="0100") == "0010"


# -- bounded invariance --------------------------------------------------------------------------

INVARIANCE = {"after": "p", "keep": "q", "for": "20 ms"}  # 2 ticks


@pytest.mark.parametrize(
    ("p", "q", "expected"),
    [
        ("01000", "01110", "00000"),  # trigger and two more: inclusive
        ("01000", "01100", "00010"),  # the last instant is in it
        ("01000", "00110", "01000"),  # the same instant is in it
        ("01100", "01110", "00001"),  # the newest trigger is timed
        ("01000", "00000", "01000"),  # reported once, then dropped
        ("00000", "00000", "00000"),
    ],
)
def test_an_invariance_times_the_newest_trigger(p: str, q: str, expected: str) -> None:
    assert breaks(INVARIANCE, p=p, q=q) == expected


def test_a_time_to_keep_is_rounded_up() -> None:
    """11 ms are two ticks of 10 ms."""
    assert breaks(INVARIANCE | {"for": "11 ms"}, p="1000", q="1100") == "0010"
    assert breaks(INVARIANCE | {"for": "10 ms"}, p="1000", q="1100") == "0000"
    assert breaks(INVARIANCE | {"for": "0 ms"}, p="1010", q="1100") == "0010"


# -- precedence ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p", "q", "expected"),
    [("0010", "0100", "0000"), ("0010", "0010", "0000"), ("0110", "0010", "0100"), ("1111", "0000", "1111")],
)
def test_before_needs_first_once_and_the_same_instant_counts(p: str, q: str, expected: str) -> None:
    assert breaks({"before": "p", "first": "q"}, p=p, q=q) == expected


@pytest.mark.parametrize(
    ("p", "q", "r", "expected"),
    [
        ("00001", "01000", "00100", "00001"),  # forgotten
        ("00001", "01010", "00100", "00000"),  # and done anew
        ("00001", "00100", "00100", "00000"),  # in the same instant as since
        ("00100", "01000", "00100", "00100"),  # forgotten in the very instant
    ],
)
def test_since_forgets_what_was_before_it(p: str, q: str, r: str, expected: str) -> None:
    assert breaks({"before": "p", "first": "q", "since": "r"}, p=p, q=q, r=r) == expected


# -- edges and times -----------------------------------------------------------------------------


def test_requirements_see_edges_of_what_they_name() -> None:
    assert breaks({"never": "rising(p and q)"}, p="11011", q="01111") == "01010"
    assert breaks({"never": "falling(p)"}, p="01011") == "00100"


def test_held_satisfies_from_the_instant_at_which_the_time_is_over_for_certain() -> None:
    assert breaks({"always": "held(p, 20 ms)"}, p="0111101111") == "1110011100"
    assert breaks({"always": "held(p, 15 ms)"}, p="0111101111") == "1110011100"


def test_held_breaks_a_scan_sooner_for_p_may_have_come_just_after_a_scan() -> None:
    assert breaks({"never": "held(p, 20 ms)"}, p="0111101111") == "0011100111"
    assert breaks({"never": "held(p, 29 ms)"}, p="0111101111") == "0011100111"
    assert breaks({"never": "held(p, 30 ms)"}, p="0111101111") == "0001100011"


def test_held_for_less_than_a_scan_breaks_in_every_instant() -> None:
    """As 'within' so short a time is broken by its trigger alone."""
    assert breaks({"never": "q and held(p, 9 ms)"}, p="0101", q="0011") == "0011"


def test_held_for_no_time_is_the_argument_itself() -> None:
    assert breaks({"never": "held(p, 0 ms)"}, p="0101") == "0101"
    assert breaks({"always": "held(p, 0 ms)"}, p="0101") == "1010"


# -- names ---------------------------------------------------------------------------------------


def tick_like(runner: LoopRunner, key: Key, **wanted: int) -> tuple[Tick, Key]:
    """The one step from a state in which some cells have some values."""

    def step(chooser: Chooser) -> tuple[Tick, Key]:
        runner.load(key)
        return runner.step(chooser), runner.key()

    names = {name.replace("_", "."): value for name, value in wanted.items()}
    found = [
        (tick, to)
        for tick, to in leaves(step)
        if all(tick.values[name] == value for name, value in names.items())
    ]
    assert found, f"no step with {wanted}"
    assert len({tick.broken for tick, _ in found}) == 1
    return found[0]


def started(loop: ClosedLoop) -> tuple[LoopRunner, Key]:
    runner = LoopRunner(loop)
    runner.begin(lambda name, count: 0)
    return runner, runner.key()


def stuck(requirement: dict[str, str], fault: str, p: int = 0) -> bool:
    """Whether a requirement breaks in an instant with a fault."""
    loop = loop_of(requirement, faults=1)
    number = next(item.number for item in loop.faults if item.name == fault)
    tick, _ = tick_like(*started(loop), fault=number, p_circuit=p)
    return bool(tick.broken)


def test_an_input_means_its_healthy_circuit_and_seen_what_the_controller_gets() -> None:
    assert not stuck({"never": "p"}, "p stuck on")
    assert stuck({"never": "seen.p"}, "p stuck on")
    assert stuck({"never": "p"}, "p stuck off", p=1)
    assert not stuck({"never": "seen.p"}, "p stuck off", p=1)


def test_an_output_means_what_is_driven_and_asked_what_the_controller_wants() -> None:
    assert stuck({"always": "lamp"}, "lamp stuck off")
    assert not stuck({"always": "asked.lamp"}, "lamp stuck off")


def test_a_loss_of_power_resets_no_monitor() -> None:
    """The obligation runs on in the dark and is broken when due."""
    runner, key = started(loop_of(RESPONSE, faults=1))
    found = []
    for p, dark in ((1, 0), (0, 1), (0, 1), (0, 0)):
        tick, key = tick_like(runner, key, p_circuit=p, q_circuit=0, dark=dark)
        found.append(bool(tick.broken))
    assert found == [False, False, True, False]
