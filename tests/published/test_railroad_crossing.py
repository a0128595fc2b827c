"""The generalized railroad crossing of Heitmeyer and Lynch (RTSS 1994), correct and with planted faults.

Source of the two requirements and of the conditions between the constants: C. Heitmeyer,
N. Lynch, The Generalized Railroad Crossing: A Case Study in Formal Verification of Real-Time
Systems, RTSS 1994 (the exact form of the utility interval is from memory). The values of the
constants are ours; where the verdict must turn is computed here by hand, in ticks.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from engine import runs_to_breaks, searching
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.loop.closed_loop import close_loop

TEXT = (Path(__file__).parent / "machines" / "railroad_crossing.yaml").read_text(encoding="utf-8")
TICK = 100  # ms

# Times of the file in ticks.
SOONEST, LATEST = 40, 50  # approach
DOWN = UP = 15  # the gate, latest
DELAY = 22  # between announcement and lowering
XI1, XI2 = 29, 20

REACTION = 1  # keeper sees in the next scan what a warning found in this one


def broken(*changes: tuple[str, str], possible: bool = False) -> dict[str, int]:
    """What breaks after some replacements in the file, and in how many ticks.

    ``possible`` looks at what must stay possible, too; it takes its time.
    """
    text = TEXT
    for old, new in changes:
        assert text.count(old) >= 1, f"'{old}' does not stand in the file"
        text = text.replace(old, new)
    document = read_machine_text(text, "railroad_crossing.yaml")
    with searching(close_loop(document.machine, tick=TICK, faults=0, exact=True), threads=2) as done:
        found = {name: len(run.ticks) for name, run in runs_to_breaks(done).items()}
        if possible and done.cut_off("can_be_up") is not None:
            found["can_be_up"] = 0
        if done.goal_depth("can_be_crossed") is None:
            found["can_be_crossed"] = 0
    return found


def seconds(ticks: int) -> str:
    return f"{ticks * TICK / 1000:g} s"


def test_the_crossing_keeps_safety_and_utility() -> None:
    assert not read_machine_text(TEXT).warnings
    assert broken(possible=True) == {}


DELAYED = "{after: 2.2 s, to: due}"
PLANTED = {
    "the gate is lowered at once": ([(DELAYED, "{after: 0 s, to: due}")], {"utility"}),
    "the gate is lowered too late": ([(DELAYED, "{after: 3 s, to: due}")], {"safety"}),
    "track 2 lowers no gate": ([("when: warn_1.due or warn_2.due", "when: warn_1.due")], {"safety"}),
    "one free track raises the gate": (
        [("not warn_1.due and not warn_2.due, to", "not warn_1.due or not warn_2.due, to")],
        {"safety"},
    ),
    "a second train waits until the gate is up": (
        [("{when: warn_1.due or warn_2.due", "{after: 1.6 s, when: warn_1.due or warn_2.due")],
        {"safety"},
    ),
    "the gate is never raised": (
        [("not warn_1.due and not warn_2.due, to", "track_1 and not track_1, to")],
        {"utility", "can_be_up"},
    ),
    "the gate is raised late": (
        [("{when: not warn_1.due and", "{after: 5 s, when: not warn_1.due and")],
        {"utility"},
    ),
    "track 2 is announced in the crossing only": (
        [("{track_2: at approach or at crossing}", "{track_2: at crossing}")],
        {"safety", "utility"},
    ),
    "a warning is a pulse": (
        [("due:    {exits: [{when: not track_1,", "due:    {exits: [{after: 0 s,")],
        {"safety", "utility"},
    ),
    "the gate is slower than thought": ([("takes_back: 1.2..1.5 s", "takes_back: 2..2.5 s")], {"safety"}),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_fault_breaks_what_it_must_and_nothing_else(name: str) -> None:
    changes, expected = PLANTED[name]
    assert set(broken(*changes, possible="can_be_up" in expected)) == expected


@pytest.mark.parametrize("spare", [0, -1])
def test_safety_turns_where_the_gate_is_down_just_as_the_soonest_train_arrives(spare: int) -> None:
    """Feasibility e1 > down: a train announced at 0 is in the crossing at 40 at the soonest.

    Lowering begins at delay + 1 and the gate is seen down 15 later, so delay + 16 <= 40.
    """
    delay = SOONEST - DOWN - REACTION - spare
    found = broken((DELAYED, f"{{after: {seconds(delay)}, to: due}}"))
    # As soon as it can be: the train sets out in tick 0 and is announced in tick 1.
    assert found == ({} if spare == 0 else {"safety": 1 + SOONEST + 1})


@pytest.mark.parametrize("spare", [0, -1])
def test_utility_turns_at_the_longest_time_between_lowering_and_arrival(spare: int) -> None:
    """xi1 >= down + (e2 - e1) + margin; here: from the first tick not up to the latest arrival.

    Lowering begins at delay + 1 and is seen in the next tick; the latest train arrives at 50.
    The limit has to hold one scan more, for the sampling.
    """
    needed = LATEST - (DELAY + REACTION + 1) + 1
    assert needed <= XI1
    found = broken(("within: 2.9 s", f"within: {seconds(needed + spare)}"))
    assert set(found) == (set() if spare == 0 else {"utility"})


@pytest.mark.parametrize("spare", [0, -1])
def test_utility_turns_at_the_longest_time_between_departure_and_a_raised_gate(spare: int) -> None:
    """xi2 >= up + margin: off is seen one tick after the last one in the crossing, raised 1 + 15 later.

    The time has to be one scan longer, for the sampling: the train may have left just after the scan before.
    """
    needed = REACTION + UP + 1
    assert needed <= XI2
    found = broken(("crossing, 2 s)", f"crossing, {seconds(needed + spare)})"))
    assert set(found) == (set() if spare == 0 else {"utility"})
