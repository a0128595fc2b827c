"""Draws: published numbers, even odds, and no draw that depends on another."""

from __future__ import annotations

from collections import Counter

import pytest

from stillgate.controller.program.evaluate import BlockCompiler, Layout
from stillgate.controller.program.program import Assign, Block, Cell, Choose, If, Ref, Scope
from stillgate.sim_io.simulation.seeded_choices import (
    GAMMA,
    MASK,
    SeededChoices,
    below,
    mix,
    one_name_a_choice,
)


def local(name: str, high: int = 1) -> Cell:
    return Cell(name, 0, high, 0, Scope.PART, persistent=False)


def test_mix_gives_the_published_first_outputs_of_splitmix64() -> None:
    """Seed 1234567, outputs as listed by Rosetta Code, 'Pseudo-random numbers/Splitmix64' (from memory)."""
    outputs = [mix((1234567 + number * GAMMA) & MASK) for number in range(1, 6)]
    assert outputs == [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ]


@pytest.mark.parametrize("count", [2, 3, 7, 64])
def test_choices_are_even(count: int) -> None:
    """Chi-square below its 99.99 % quantile, roughly count + 6 * sqrt(2 * count)."""
    layout = Layout()
    choices = SeededChoices(5, layout, 20, {})
    found: Counter[int] = Counter()
    total = 20_000
    for choices.scan in range(total):
        found[choices.choose(local("a"), count)] += 1
    expected = total / count
    chi = sum((found[i] - expected) ** 2 / expected for i in range(count))
    assert set(found) == set(range(count))
    assert chi < count + 6 * (2 * count) ** 0.5


def test_what_must_happen_within_n_ticks_is_spread_evenly_over_them() -> None:
    latest, happens = Cell("x.latest", 0, 9, 9, Scope.PART), local("x.happens")
    layout = Layout((latest, happens))
    times: Counter[int] = Counter()
    for seed in range(3000):
        choices = SeededChoices(seed, layout, 20, {happens: latest})
        choices.values = layout.start_values()
        for tick in range(10):
            choices.scan = tick
            choices.values[layout.slot(latest)] = 9 - tick
            if choices.choose(happens, 2):
                times[tick] += 1
                break
    assert sum(times.values()) == 3000, "it must happen"
    assert all(220 < times[tick] < 380 for tick in range(10))


def test_a_draw_depends_on_no_other_draw() -> None:
    alone, both = SeededChoices(7, Layout(), 20, {}), SeededChoices(7, Layout(), 20, {})
    for scan in range(50):
        alone.scan = both.scan = scan
        both.choose(local("other"), 10)
        assert alone.choose(local("it"), 10) == both.choose(local("it"), 10)


def test_two_choices_of_one_cell_in_a_scan_are_drawn_apart() -> None:
    """The second exit of an automaton would else never be taken when the first is not."""
    chosen, first, second = local("a.happens"), local("first"), local("second")
    block: Block = (
        Choose(chosen, 2),
        Assign(first, Ref(chosen)),
        If(Ref(first), (), (Choose(chosen, 2), Assign(second, Ref(chosen)))),
    )
    named = one_name_a_choice(block, events={chosen: None})
    layout = Layout()
    choices = SeededChoices(1, layout, 500, named.events)  # a scan of half a second: every other tick
    run = BlockCompiler(layout, 500, choices).block(named.blocks[0])
    choices.values = values = layout.start_values()
    found: Counter[tuple[int, int]] = Counter()
    for choices.scan in range(400):
        values[layout.slot(second)] = 0
        run(values)
        found[values[layout.slot(first)], values[layout.slot(second)]] += 1
    assert set(found) == {(0, 0), (0, 1), (1, 0)}


def test_below_stays_below() -> None:
    assert below(MASK, 10) == 9
    assert below(0, 10) == 0
