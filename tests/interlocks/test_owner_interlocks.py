"""The owner's two interlocks of the harvester, against simulated switches and busy operators.

1. The drives are at standstill before an unloading arm moves.
2. Nothing restarts while a frame is in motion.

Operators do what operators do, in random order and at random moments; each interlock, taken
out, lets one of them break its rule. The rules are judged here from outputs and parts alone,
not by the requirements in the file. Operators drawn by Hypothesis and by seed share one
vocabulary.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from stillgate.controller.machine import Machine
from stillgate.controller.reader import read_machine
from stillgate.sim_io.simulation import Frame, Simulation

HARVESTER = read_machine(Path(__file__).parents[2] / "machines" / "lavender_harvester.yaml").machine
STANDSTILL = "drives are at standstill before an arm moves"
FRAME_IN_MOTION = "nothing restarts while a frame is in motion"

DRIVES = ("cutter", "ground", "conveyor")
Act = tuple[str, int, int]
"""What the operator does, for how long, and the pause after it (ms)."""

HELD = {
    "restart": {"restart": True},
    "raise": {"lever_neutral": False, "lever_raise": True},
    "lower": {"lever_neutral": False, "lever_lower": True},
    "feed": {"frame_button_1": True, "frame_button_2": True},
    "leave the seat": {"seat_1": False, "seat_2": False},
    "stop": {"estop_1": False, "estop_2": False},
    "touch left": {"row_left": True},
    "wait": {},
}  # fmt: skip
AT_REST = {
    "seat_1": True, "seat_2": True, "lever_neutral": True, "lever_raise": False, "lever_lower": False,
    "restart": False, "frame_button_1": False, "frame_button_2": False, "frame_waiting": True,
    "estop_1": True, "estop_2": True, "row_left": False, "row_right": False,
}  # fmt: skip


def without(why: str) -> Machine:
    """The harvester with one rule's interlocks taken out."""
    kept = [item for item in HARVESTER.interlocks if item.why != why]
    assert len(kept) < len(HARVESTER.interlocks), f"no interlock says '{why}'"
    return HARVESTER.model_copy(update={"interlocks": kept})


def arm_moves(frame: Frame) -> bool:
    return frame.outputs["arm_oil"] and (frame.outputs["arms_raise"] or frame.outputs["arms_lower"])


def something_turns(frame: Frame) -> bool:
    return any(frame.parts[name] != "still" for name in DRIVES)


def drives(frame: Frame) -> bool:
    return frame.outputs["drive_oil"] and any(frame.outputs[f"{name}_on"] for name in DRIVES)


def frame_moves(frame: Frame) -> bool:
    return frame.parts["frame"] in ("sliding", "pushed", "swinging")


@dataclass
class Seen:
    """What happened while an operator was busy."""

    scans: int = 0
    drove: int = 0
    arms_moved: int = 0
    frame_moved: int = 0
    broken: set[str] = field(default_factory=set)

    def note(self, frame: Frame) -> None:
        self.scans += 1
        self.drove += drives(frame)
        self.arms_moved += arm_moves(frame)
        self.frame_moved += frame_moves(frame)
        if arm_moves(frame) and something_turns(frame):
            self.broken.add(STANDSTILL)
        if drives(frame) and frame_moves(frame):
            self.broken.add(FRAME_IN_MOTION)


def work(machine: Machine, acts: list[Act], seed: int) -> Seen:
    """A shift: the acts of one operator on a simulated machine."""
    simulation = Simulation(machine, seed=seed)
    seen = Seen()

    def stay(levels: dict[str, bool], milliseconds: int) -> None:
        for name, level in (AT_REST | levels).items():
            simulation.set_input(name, level)
        for _ in range(milliseconds // machine.scan):
            seen.note(simulation.step())

    stay({}, 1500)
    for act, held, pause in acts:
        stay(HELD[act], held)
        stay({}, pause)
    return seen


ORDERS = ("restart", "restart", "restart", "raise", "lower", "feed", "feed", "wait", "leave the seat", "stop",
          "touch left")  # fmt: skip
UNLOAD: list[Act] = [("lower", 660, 100), ("raise", 660, 100)]
RESTART: Act = ("restart", 100, 1000)


def busy_operator(seed: int) -> list[Act]:
    """Acts of one operator: now and then a whole job, otherwise this and that."""
    chance = random.Random(seed)
    acts: list[Act] = []
    while len(acts) < 8:
        match chance.randrange(3):
            case 0:
                acts += [*UNLOAD, ("restart", 100, chance.randrange(0, 900, 20)), ("feed", 600, 0)]
            case 1:
                acts += [RESTART, (chance.choice(("raise", "lower")), 400, chance.randrange(0, 800, 20))]
            case _:
                acts.append(
                    (chance.choice(ORDERS), chance.randrange(100, 700, 20), chance.randrange(0, 1500, 20))
                )
    return acts


def shifts(machine: Machine, count: int) -> Iterator[Seen]:
    for seed in range(count):
        yield work(machine, busy_operator(seed), seed)


def test_busy_operators_drive_unload_and_feed_and_break_neither_rule() -> None:
    """The same operators who break both rules as soon as an interlock is out."""
    total = Seen()
    for seen in shifts(HARVESTER, 12):
        assert not seen.broken
        total.drove += seen.drove
        total.arms_moved += seen.arms_moved
        total.frame_moved += seen.frame_moved
    assert min(total.drove, total.arms_moved, total.frame_moved) > 50


@pytest.mark.parametrize("rule", [STANDSTILL, FRAME_IN_MOTION])
def test_without_its_interlock_a_busy_operator_breaks_the_rule(rule: str) -> None:
    """And no other rule: each interlock carries its own."""
    machine = without(rule)
    broken = next((seen.broken for seen in shifts(machine, 12) if seen.broken), set())
    assert broken == {rule}


acts = st.tuples(
    st.sampled_from(ORDERS), st.sampled_from((100, 200, 400, 660)), st.integers(0, 60).map(lambda n: n * 20)
)
jobs = st.one_of(acts.map(lambda act: [act]), st.just(UNLOAD), st.just([RESTART]))
operators = st.lists(jobs, max_size=6).map(lambda drawn: [act for job in drawn for act in job])


def relentless(examples: int) -> settings:
    return settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))


@relentless(15)
@given(acts=operators, seed=st.integers(0, 999))
@example(acts=[*UNLOAD, ("restart", 100, 460), ("feed", 600, 0)], seed=0)
@example(acts=[RESTART, ("raise", 400, 0)], seed=0)
def test_no_operator_breaks_either_rule(acts: list[Act], seed: int) -> None:
    assert not work(HARVESTER, acts, seed).broken


@pytest.mark.night
@relentless(1500)
@given(acts=operators, seed=st.integers(0, 999))
def test_no_operator_of_many_breaks_either_rule(acts: list[Act], seed: int) -> None:
    assert not work(HARVESTER, acts, seed).broken
