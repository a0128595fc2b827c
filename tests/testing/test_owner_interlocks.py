"""The owner's two interlocks of the harvester as property tests, at the real scan.

1. The drives are at standstill before an unloading arm moves.
2. Nothing restarts while a frame is in motion.

Runs are drawn by ``machine_rules``, with the whole jobs of the people at the machine as further
rules: bouncing and slow switches, every single fault, power failures. The rules are judged here
from outputs and parts alone wherever no fault is there, and by the file's requirements with a
fault. Each interlock, taken out, lets its rule be broken, and the broken run is told and replayed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule, run_state_machine_as_test

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.reading.reader import MachineDocument, read_machine
from stillgate.testing import MachineRules, RequirementBroken, machine_rules, switch_disturbances

HARVESTER = read_machine(Path(__file__).parents[2] / "machines" / "lavender_harvester.yaml")
STANDSTILL = "drives are at standstill before an arm moves"
FRAME_IN_MOTION = "nothing restarts while a frame is in motion"
REQUIREMENTS = {
    STANDSTILL: "standstill_before_arms",
    FRAME_IN_MOTION: "no_restart_while_frame_moves",
}
DRIVES = ("cutter", "ground", "conveyor")

AT_REST = {
    "seat_1": True, "seat_2": True, "lever_neutral": True, "lever_raise": False, "lever_lower": False,
    "restart": False, "frame_button_1": False, "frame_button_2": False, "frame_waiting": True,
    "estop_1": True, "estop_2": True, "row_left": False, "row_right": False,
}  # fmt: skip
RESTART = {"restart": True}
RAISE = {"lever_neutral": False, "lever_raise": True}
LOWER = {"lever_neutral": False, "lever_lower": True}
FEED = {"frame_button_1": True, "frame_button_2": True}
SHORT = st.integers(0, 45).map(lambda number: number * 20)


def without(why: str) -> MachineDocument:
    """The harvester with one rule's interlocks taken out."""
    machine = HARVESTER.machine
    kept = [item for item in machine.interlocks if item.why != why]
    assert len(kept) < len(machine.interlocks), f"no interlock says '{why}'"
    return replace(HARVESTER, machine=machine.model_copy(update={"interlocks": kept}))


def rules_of(
    document: MachineDocument,
    *,
    faults: int,
    found_in: Path,
    requirements: Iterable[str] = REQUIREMENTS.values(),
    strictly: bool = True,
) -> type[MachineRules]:
    """Runs of the harvester with the jobs of its people.

    Args:
        document: the machine.
        faults: that may happen in a run.
        found_in: folder of scenarios.
        requirements: of the file that are judged.
        strictly: whether the rules are judged here besides, from outputs and parts alone.
    """
    switches = [item.name for item in switch_disturbances(document.machine, bounce="40 ms", delay="20 ms")]
    base = machine_rules(
        document,
        faults=faults,
        requirements=requirements,
        switch_faults=switches,
        found_in=found_in,
    )

    class Jobs(base):  # type: ignore[valid-type, misc]
        """What people do at this machine, at their own moments.

        ``happened`` counts the scans after which something was so.
        """

        happened: ClassVar[Counter[str]] = Counter()

        def job(self, acts: dict[str, bool], held: Milliseconds, pause: Milliseconds) -> None:
            self.change(**{**AT_REST, **acts})
            self.wait(held)
            self.change(**AT_REST)
            self.wait(pause)

        @rule(pause=SHORT, arms=st.sampled_from((RAISE, LOWER)))
        def drive_and_touch_the_lever(self, pause: Milliseconds, arms: dict[str, bool]) -> None:
            self.job({}, 1500, 0)
            self.job(RESTART, 100, 1000)
            self.job(arms, 400, pause)

        @rule(pause=SHORT)
        def unload_and_restart_while_feeding(self, pause: Milliseconds) -> None:
            self.job({}, 1500, 0)
            self.job(LOWER, 660, 100)
            self.job(RAISE, 660, 100)
            self.job(RESTART, 100, pause)
            self.job(FEED, 600, 0)

        def every_scan(self) -> None:
            outputs, parts = self.outputs, self.parts
            arm_moves = outputs["arm_oil"] and (outputs["arms_raise"] or outputs["arms_lower"])
            drives = outputs["drive_oil"] and any(outputs[f"{name}_on"] for name in DRIVES)
            turning = any(parts[name] != "still" for name in DRIVES)
            frame_moves = parts["frame"] in ("sliding", "pushed", "swinging")
            failed = self.faults_left < self.budget
            now = {
                "an arm moves": arm_moves,
                "drives turn": turning,
                "a frame moves": frame_moves,
                "a switch bounces": any("bounces" in item for item in self._record.disturb),
                "a switch is slow": any("bounces" not in item for item in self._record.disturb),
                "something has failed": failed,
            }
            self.happened.update(what for what, so in now.items() if so)
            if strictly and not failed:
                assert not (arm_moves and turning), STANDSTILL
                assert not (drives and frame_moves), FRAME_IN_MOTION

    return Jobs


def play(rules: type[MachineRules], examples: int, *, first: int = 1) -> None:
    """Many runs, the same ones at every call."""
    how = settings(
        max_examples=examples,
        stateful_step_count=8,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(seed(first)(rules), settings=how)


@pytest.mark.parametrize("faults", [0, 1])
def test_nobody_and_no_single_fault_breaks_either_rule(faults: int, tmp_path: Path) -> None:
    rules = rules_of(HARVESTER, faults=faults, found_in=tmp_path)
    play(rules, 40)
    assert_eventful(rules, faults)


@pytest.mark.night
def test_nobody_and_no_single_fault_of_many_breaks_either_rule(tmp_path: Path) -> None:
    rules = rules_of(HARVESTER, faults=1, found_in=tmp_path)
    play(rules, 5000)
    assert_eventful(rules, 1)


def assert_eventful(rules: type[MachineRules], faults: int) -> None:
    """What the two rules are about did happen, and so did what may go wrong."""
    assert rules.document.machine.scan == 20, "the real scan"
    happened = rules.happened  # type: ignore[attr-defined]
    wanted = {"an arm moves", "drives turn", "a frame moves", "a switch bounces", "a switch is slow"}
    assert wanted | ({"something has failed"} if faults else set()) == set(happened), happened


@pytest.mark.parametrize("why", REQUIREMENTS)
def test_without_its_interlock_the_rule_is_broken_and_the_run_is_told(why: str, tmp_path: Path) -> None:
    """The message is the replay on the reference controller; it fails if that does not break."""
    rules = rules_of(without(why), faults=0, found_in=tmp_path, strictly=False)
    with pytest.raises(RequirementBroken, match=f"{REQUIREMENTS[why]} is broken") as raised:
        play(rules, 300)
    assert "controller: " in str(raised.value)
    assert "The machine was changed after reading, so no scenario is saved." in str(raised.value)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("why", REQUIREMENTS)
def test_without_its_interlock_outputs_and_parts_say_so_too(why: str, tmp_path: Path) -> None:
    """So that what is judged here can fail."""
    with pytest.raises(AssertionError, match=why):
        play(rules_of(without(why), faults=0, found_in=tmp_path, requirements=()), 300)
