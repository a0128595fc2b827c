"""What each disturbance does to the samples of a controller, scan by scan.

Rows read like timing charts: a column a scan of 10 ms, ``1`` for a circuit that conducts or a
valve that is driven.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.faults.disturbances import Disturbance, contradict, disturbances_of, parse_disturbance
from stillgate.sim_io.faults.switches import spread
from stillgate.sim_io.simulation.simulation import Frame, Simulation

SCAN = 10
ECHO = read_machine_text(
    """\
machine: echo
scan: 10 ms
inputs: {a: {}, b: {}}
outputs: {x: {}, y: {}}
memory: {starts: {range: 0..1000, start: 0}}
sequences:
  one:
    start: low
    states:
      low: {exits: [{when: a, to: high, do: {starts: starts + 1}}]}
      high: {on: [x], exits: [{when: not a, to: low}]}
  two:
    start: low
    states:
      low: {exits: [{when: b, to: high}]}
      high: {on: [y], exits: [{when: not b, to: low}]}
"""
).machine


def frames(levels: str, *lines: str, seed: int = 0, inject: dict[int, str] | None = None) -> Iterator[Frame]:
    """Every scan of the machine while ``a`` follows a row."""
    simulation = Simulation(ECHO, seed=seed, disturbances=[parse_disturbance(line, ECHO) for line in lines])
    for number, level in enumerate(levels):
        simulation.set_input("a", level == "1")
        for at, line in (inject or {}).items():
            if at == number:
                simulation.inject(parse_disturbance(line, ECHO))
        yield simulation.step()


def wired(levels: str, *lines: str, seed: int = 0, name: str = "a") -> str:
    """What reaches a terminal."""
    return "".join(str(int((frame.wired or {})[name])) for frame in frames(levels, *lines, seed=seed))


def driven(levels: str, *lines: str, name: str = "x", inject: dict[int, str] | None = None) -> str:
    """What an output does; undisturbed ``x`` does what ``a`` does."""
    return "".join(str(int(frame.outputs[name])) for frame in frames(levels, *lines, inject=inject))


def test_undisturbed_everything_passes() -> None:
    assert wired("0110100") == "0110100"
    assert driven("0110100") == "0110100"


def test_stuck_contacts_and_valves_follow_nothing() -> None:
    assert wired("0110", "a stuck on") == "1111"
    assert wired("0110", "a stuck off") == "0000"
    assert driven("0110", "x stuck on") == "1111"
    assert driven("0110", "x stuck off") == "0000"


def test_a_swapped_pair_is_read_crosswise() -> None:
    assert wired("0110", "a swapped with b") == "0000"
    assert wired("0110", "a swapped with b", name="b") == "0110"
    assert driven("0110", "x swapped with y", name="y") == "0110"


def test_a_late_contact_misses_what_is_shorter() -> None:
    #             30 ms on         20 ms on
    assert wired("0111000110000", "a picks up 20 ms late") == "0001000000000"
    assert wired("1110111001111", "a drops out 20 ms late") == "1111111111111"
    assert wired("1110001100000", "a drops out 20 ms late") == "1111101111000"


def test_times_between_scans_are_rounded_up() -> None:
    assert wired("01111", "a picks up 11 ms late") == wired("01111", "a picks up 20 ms late") == "00011"


def test_a_slow_valve_follows_late_both_ways() -> None:
    assert driven("0111100000", "x slow 20 ms") == "0001111000"
    assert driven("0100000000", "x slow 20 ms") == "0000000000"


def test_a_hanging_valve_stays_as_it_is_when_it_begins() -> None:
    assert driven("0110010", inject={2: "x hangs"}) == "0111111"
    assert driven("0010010", inject={1: "x hangs"}) == "0000000"


@given(st.integers(0, 10_000))
def test_a_bounce_is_over_in_time_and_goes_back_no_oftener_than_said(seed: int) -> None:
    levels = "000" + "1" * 12 + "0" * 12
    found = wired(levels, "a bounces 50 ms 2 times", seed=seed)
    assert found[:3] == "000"
    assert found[8:15] == "1" * 7, "settled 50 ms after the contact closed"
    assert found[20:] == "0" * 7
    for window, level in ((found[3:8], "1"), (found[15:20], "0")):
        arrived = window.lstrip("0" if level == "1" else "1")
        returns = sum(one == level and two != level for one, two in pairwise(arrived))
        assert returns <= 2


def test_bouncing_samples_differ_from_seed_to_seed() -> None:
    assert len({wired("01111", "a bounces 20 ms", seed=seed) for seed in range(50)}) == 4


def test_a_contact_that_does_not_change_does_not_bounce() -> None:
    assert wired("1" * 20, "a bounces 50 ms") == "1" * 20


def test_an_intermittent_contact_drops_as_often_and_as_long_as_said() -> None:
    """Within a sixth of 25 healthy scans and a drop of three, on average."""
    found = wired("1" * 10_000, "a intermittent 250 ms for 50 ms", seed=3)
    drops = [part for part in found.split("1") if part]
    assert {len(part) for part in drops} == {1, 2, 3, 4, 5}
    assert 10_000 / 28 / 1.16 < len(drops) < 10_000 / 28 * 1.16


def test_an_open_contact_has_nothing_to_drop() -> None:
    assert "1" not in wired("0" * 2000, "a intermittent 100 ms")


def test_the_waits_have_the_mean_that_is_said() -> None:
    """Quantiles of the exponential distribution: -ln(1 - 63.5/64) = 4.85 means is the last."""
    table = spread(1000)
    assert abs(sum(table) / len(table) - 1000) < 20
    assert 4800 < max(table) < 4900
    assert min(spread(1)) == 1


def test_a_power_dip_ends_in_a_cold_start() -> None:
    found = list(frames("1" * 10, inject={3: "power dip 30 ms"}))
    assert [frame.states["one"] for frame in found] == ["high"] * 3 + [None] * 3 + ["high"] * 4
    assert [frame.outputs["x"] for frame in found] == [True] * 3 + [False] * 3 + [True] * 4
    assert [frame.memory["starts"] for frame in found] == [1, 1, 1, 0, 0, 0, 1, 1, 1, 1]


def test_dips_come_again_and_again_if_that_is_said() -> None:
    dark = [frame.states["one"] is None for frame in frames("1" * 5000, "power dip 20 ms every 500 ms")]
    begins = sum(two and not one for one, two in pairwise(dark))
    assert 60 < begins < 140
    assert sum(dark) == 2 * begins


def test_an_overrun_samples_and_writes_nothing_meanwhile() -> None:
    #                          the scan before takes 30 ms: two are left out
    found = list(frames("0011110000", inject={2: "scan overrun 30 ms"}))
    assert [frame.scanned for frame in found] == [
        True,
        True,
        False,
        False,
        True,
        True,
        True,
        True,
        True,
        True,
    ]
    assert "".join(str(int(frame.outputs["x"])) for frame in found) == "0000110000"
    assert [frame.time for frame in found] == [10 * number for number in range(10)]


def test_an_output_stays_on_through_an_overrun() -> None:
    assert driven("0110000000", inject={3: "scan overrun 40 ms"}) == "0111110000"


def test_an_overrun_shorter_than_a_scan_is_none() -> None:
    assert all(frame.scanned for frame in frames("0000", inject={1: "scan overrun 10 ms"}))


def test_lost_power_comes_back_when_the_disturbance_is_cleared() -> None:
    simulation = Simulation(ECHO)
    lost = parse_disturbance("power interrupted", ECHO)
    simulation.inject(lost)
    assert simulation.step().states["one"] is None
    simulation.clear(lost)
    assert simulation.step().states["one"] == "low"


def test_what_is_cleared_is_gone_and_what_comes_back_begins_anew() -> None:
    simulation = Simulation(ECHO)
    late = parse_disturbance("a picks up 20 ms late", ECHO)
    row = ""
    for number in range(12):
        simulation.set_input("a", number in (2, 3, 7, 8, 9, 10))
        if number == 0:
            simulation.inject(late)
        if number == 3:
            simulation.clear(late)
        if number == 6:
            simulation.inject(late)
        row += str(int((simulation.step().wired or {})["a"]))
    assert row == "000100000110"


def test_two_that_contradict_each_other_are_refused_while_both_are_there() -> None:
    simulation = Simulation(ECHO, disturbances=[parse_disturbance("a stuck on", ECHO)])
    with pytest.raises(UsageError, match="'a stuck off' and 'a stuck on' cannot be there together"):
        simulation.inject(parse_disturbance("a stuck off", ECHO))
    simulation.clear(parse_disturbance("a stuck on", ECHO))
    simulation.inject(parse_disturbance("a stuck off", ECHO))
    assert [item.name for item in simulation.disturbances] == ["a stuck off"]


@given(st.data())
def test_all_that_do_not_contradict_each_other_go_together(data: st.DataObject) -> None:
    """No cell leaves its range, and the frame names what is there."""
    chosen: list[Disturbance] = []
    for item in data.draw(st.lists(st.sampled_from(disturbances_of(ECHO)), max_size=12, unique=True)):
        if not any(contradict(item, other) for other in chosen):
            chosen.append(item)
    simulation = Simulation(ECHO, seed=data.draw(st.integers(0, 99)), disturbances=chosen)
    lasting = {item.name for item in chosen if item.kind.value not in ("power dip", "scan overrun")}
    for level in data.draw(st.lists(st.booleans(), min_size=5, max_size=30)):
        simulation.set_input("a", level)
        frame = simulation.step()
    assert set(frame.disturbances) == lasting


def test_the_same_seed_gives_the_same_run() -> None:
    def run(seed: int) -> list[str]:
        machine: Machine = ECHO
        simulation = Simulation(
            machine, seed=seed, disturbances=[parse_disturbance("a intermittent 50 ms", machine)]
        )
        simulation.set_input("a", conducts=True)
        return [str(simulation.step().wired) for _ in range(200)]

    assert run(1) == run(1)
    assert run(1) != run(2)
