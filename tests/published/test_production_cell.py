"""Robot and press of the production cell, with planted faults.

Source: C. Lewerentz, T. Lindner (eds.), Formal Development of Reactive Systems: Case Study
Production Cell, LNCS 891, 1995. Its four families of safety requirements (limits of travel,
collisions, dropped blanks, blanks kept apart) and its liveness are modelled for the robot and
the press; requirements beyond the first of each family are from memory. What is left out
stands at the head of the machine file.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from engine import searching
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.loop.closed_loop import close_loop

TEXT = (Path(__file__).parent / "machines" / "production_cell.yaml").read_text(encoding="utf-8")


def broken(*changes: tuple[str, str]) -> set[str]:
    """What breaks after some replacements in the file."""
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, f"'{old}' stands {text.count(old)} times in the file"
        text = text.replace(old, new)
    document = read_machine_text(text, "production_cell.yaml")
    with searching(close_loop(document.machine, tick=100, faults=0, exact=True), threads=2) as done:
        found = set(done.breaks())
        if done.cut_off("blanks_come_through") is not None:
            found.add("blanks_come_through")
    return found


def test_the_cell_keeps_every_requirement_and_is_live() -> None:
    assert not read_machine_text(TEXT).warnings
    assert broken() == set()


PLANTED = {
    "the press closes while arm 1 still lets go": (
        ("{when: robot.return, to: closing}", "{when: robot.let_go, to: closing}"),
        {"press_clear_of_arms", "arm_1_enters_at_middle"},
    ),
    "the swivel turns before arm 1 is in": (
        ("{when: arm_1_is_in, to: to_unload}", "{after: 0 s, to: to_unload}"),
        {"turns_with_arms_in"},
    ),
    "magnet 2 lets go on the way to the belt": (
        ("to_belt:      {on: [magnet_1, magnet_2, turn_on]", "to_belt:      {on: [magnet_1, turn_on]"),
        {"forged_let_go_on_belt_only"},
    ),
    "magnet 1 lets go while arm 1 comes back from the table": (
        ("leave_table:  {on: [magnet_1, arm_1_in]", "leave_table:  {on: [arm_1_in]"),
        {"raw_let_go_in_press_only"},
    ),
    "the press opens by time": (
        ("{when: press_bottom, to: offering}", "{after: 1 s, to: offering}"),
        {"press_within_limits"},
    ),
    "the forged blank stays in the press": (
        ("{when: robot.return, to: closing}", "{when: robot.waiting and not robot.waiting, to: closing}"),
        {"press_loaded_once", "blanks_come_through"},
    ),
    "the press waits for the arm and the arm for the press": (
        ("{when: robot.to_belt, to: lifting}", "{when: robot.reach_load, to: lifting}"),
        {"blanks_come_through"},
    ),
}


SLOW_PRESS = ("back: press_down\n    takes: 0.2..0.3 s", "back: press_down\n    takes: 2..3 s")
IMPATIENT = {
    "arm 2 does not wait for the press": (
        ("{when: forge.offering, to: reach_unload}", "{when: not forge.empty, to: reach_unload}"),
        {"arm_2_enters_at_bottom", "press_clear_of_arms"},
    ),
    "arm 1 does not wait for the press": (
        ("{when: forge.empty, to: reach_load}", "{after: 0 s, to: reach_load}"),
        {"arm_1_enters_at_middle", "press_clear_of_arms"},
    ),
}


def test_the_cell_keeps_every_requirement_with_a_slow_press_too() -> None:
    assert broken(SLOW_PRESS) == set()


@pytest.mark.parametrize("name", IMPATIENT)
def test_an_impatient_arm_is_found_once_the_press_is_slow(name: str) -> None:
    """With a press ten times as fast nobody would notice: the robot's way back takes longer."""
    change, expected = IMPATIENT[name]
    assert broken(change) == set()
    assert expected <= broken(change, SLOW_PRESS)


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_fault_breaks_what_it_must(name: str) -> None:
    change, expected = PLANTED[name]
    assert expected <= broken(change)
