"""The three hundred machines of every run would meet each mistake that once gave a false verdict.

Each mistake is made in the oracle itself, and the machines whose judgement it changes are counted: a
check that made the same mistake would disagree with the right oracle on just these.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from stillgate.controller.expressions.expression import HeldFor
from whole_oracle.comparing import most_faults, small_machine
from whole_oracle.drawing import theme_of
from whole_oracle.judging import Judgement, TooLarge, judge
from whole_oracle.monitors import Monitor
from whole_oracle.parts import AutomatonOracle, Drive, FlowOracle, Place
from whole_oracle.plant import Moved, Plant, Standing
from whole_oracle.rounding import up
from whole_oracle.scanning import Controlled, Controller, Scanned
from whole_oracle.terms import Side

SEEDS = 300


def lost_where_it_seems_overwritten(patch: pytest.MonkeyPatch) -> None:
    """A counter that every exit of a state writes is taken to be read by nobody there."""
    right = Controller._scan

    def wrong(self: Controller, before: Controlled, circuits: tuple[int, ...]) -> Scanned:
        scanned = right(self, before, circuits)
        memory = list(scanned.after.memory)
        for number, name in enumerate(self.machine.memory):
            for sequence, state in zip(self.machine.sequences.values(), scanned.after.active, strict=True):
                exits = sequence.states[state].exits
                if exits and not sequence.overrides and all(name in item.do for item in exits):
                    memory[number] = 0
        return scanned._replace(after=scanned.after._replace(memory=tuple(memory)))

    patch.setattr(Controller, "_scan", wrong)


def counted_from_entry(patch: pytest.MonkeyPatch) -> None:
    """``takes`` beside ``when`` counts the time in the state."""
    right = AutomatonOracle.after

    def wrong(self: AutomatonOracle, place: Place, drive: Drive) -> set[Place]:
        state, entry, _ = place
        clocks = tuple(entry if self._has_clock(item) else 0 for item in self._exits(state))
        return right(self, (state, entry, clocks), drive)

    patch.setattr(AutomatonOracle, "after", wrong)


def first_exit_only(patch: pytest.MonkeyPatch) -> None:
    """Of several exits that may be taken the first in the file is."""
    right = AutomatonOracle.after

    def wrong(self: AutomatonOracle, place: Place, drive: Drive) -> set[Place]:
        found = right(self, place, drive)
        order = [item.to for item in self._exits(place[0])]
        entered = [item for item in found if item[0] in order and item[1] == 0]
        taken = sorted(entered, key=lambda item: order.index(item[0]))
        return {item for item in found if item not in taken[1:]}

    patch.setattr(AutomatonOracle, "after", wrong)


def starts_say_when(patch: pytest.MonkeyPatch, kind: type[Any], fresh: Callable[[Place], bool]) -> None:
    """A part is taken to have come to its start place just then."""
    right = kind.starts
    patch.setattr(kind, "starts", lambda self: [place for place in right(self) if fresh(place)])


def automata_just_entered(patch: pytest.MonkeyPatch) -> None:
    starts_say_when(patch, AutomatonOracle, lambda place: place[1] == 0)


def flows_just_entered(patch: pytest.MonkeyPatch) -> None:
    starts_say_when(patch, FlowOracle, lambda place: place[1] == 0)


def held_rounds_up_everywhere(patch: pytest.MonkeyPatch) -> None:
    """``held`` in a requirement counts as in a guard."""
    patch.setattr(Monitor, "_ticks", lambda self, node, side: up(node.milliseconds, self._tick))


def held_breaks_everywhere(patch: pytest.MonkeyPatch) -> None:
    """``held`` in a requirement is rounded one way only."""
    right = Monitor._ticks

    def wrong(self: Monitor, node: HeldFor, side: Side) -> int:
        return right(self, node, Side.BREAKS)

    patch.setattr(Monitor, "_ticks", wrong)


def parts_in_file_order(patch: pytest.MonkeyPatch) -> None:
    """A part reads where those before it in the file already went."""
    right = Plant._move

    def wrong(self: Plant, standing: Standing, outputs: tuple[int, ...]) -> Moved:
        moved = right(self, standing, outputs)
        if len(standing.places) < 2:
            return moved
        after = []
        for ahead in moved.after:
            places = (ahead.places[0], *standing.places[1:])
            again = right(self, Standing(places, standing.last_drives), outputs)
            after += [item._replace(places=(ahead.places[0], *item.places[1:])) for item in again.after]
        return moved._replace(after=tuple(dict.fromkeys(after)))

    patch.setattr(Plant, "_move", wrong)


def says(judgement: Judgement, seed: int) -> object:
    """What check and oracle are compared in at every run."""
    judgement = judgement.up_to(most_faults(seed))
    answers = {key: (answer.holds, answer.depth) for key, answer in judgement.answers.items()}
    return answers, judgement.left_range.keys(), judgement.states


def noticed_by(mistake: Callable[[pytest.MonkeyPatch], None], theme: str) -> int | None:
    """A seed whose machine is judged differently with a mistake; those of the theme are tried first."""
    for seed in sorted(range(SEEDS), key=lambda seed: theme_of(seed) != theme):
        _, machine, judgement = small_machine(seed)
        with pytest.MonkeyPatch.context() as patch:
            mistake(patch)
            try:
                wrong = judge(machine, tick=machine.check.tick or machine.scan, most=50_000)
            except TooLarge:
                continue
        if says(wrong, seed) != says(judgement, seed):
            return seed
    return None


@pytest.mark.parametrize(
    ("mistake", "theme"),
    [
        (lost_where_it_seems_overwritten, "memory"),
        (counted_from_entry, "automaton"),
        (first_exit_only, "automaton"),
        (automata_just_entered, "automaton"),
        (flows_just_entered, "flow"),
        (held_rounds_up_everywhere, "held"),
        (held_breaks_everywhere, "held"),
        (parts_in_file_order, "parts together"),
    ],
)
def test_a_mistake_is_noticed(mistake: Callable[[pytest.MonkeyPatch], None], theme: str) -> None:
    assert noticed_by(mistake, theme) is not None
