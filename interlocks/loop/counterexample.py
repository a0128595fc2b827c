"""Turns a path of the exploration into a story a technician can follow.

The path is a list of stored states and choices; replaying it in Python gives every signal at every
tick, as integers. They become values (``Instant``), and those become words and charts. Free inputs that
the search never asked for are filled in afterwards with the levels that change least often among all
those that fit every answer given, so the story can be replayed on the executive as it stands.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from stillgate.sim_io.simulation.operators import rest_level

from ..results.instant import Instant, stretches_of
from ..results.story_steps import memory_value, steps_of
from ..results.verdict import Story
from .answers import Answers, answering, noting
from .closed_loop import ClosedLoop, FreeInput
from .free_inputs import Memory, Mode, Pair
from .interpreter import LoopRunner, Tick
from .state_layout import Key


@dataclass(frozen=True, slots=True)
class Path:
    """Stored states from a start state on, and the choices of each transition."""

    keys: tuple[Key, ...]
    choices: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Replay:
    """A path's ticks with the level of every circuit.

    Attributes:
        start: the stored state that the first tick begins in.
        answers: of each tick what was chosen, by name, levels of inputs that nobody drives included.
    """

    loop: ClosedLoop
    ticks: tuple[Tick, ...]
    circuits: tuple[dict[str, int], ...]
    truths: tuple[tuple[str, tuple[bool, ...]], ...]  # of parts, by name: a value per tick
    start: Key
    answers: tuple[Answers, ...]


def replay(
    loop: ClosedLoop,
    path: Path,
    *,
    switches: Mapping[str, int] | None = None,
    look: Callable[[], None] = lambda: None,
    runner: LoopRunner | None = None,
) -> Replay:
    """Replays a path; ``switches`` are answers that were told before the search.

    Args:
        look: called at every tick; what it raises ends the replay.
        runner: of the loop with these switches, where there is one: making it takes longer than most paths.

    Raises:
        AssertionError: if Python and C disagree about it, which is a defect.
    """
    runner = runner or LoopRunner(loop, switches=switches)
    ticks: list[Tick] = []
    modes: list[dict[str, Mode]] = []
    answers: list[Answers] = []
    runner.load(path.keys[0])
    for number, picks in enumerate(path.choices):
        look()
        given: list[tuple[str, int]] = []
        ticks.append(runner.step(noting(answering(picks), given), settle=False))
        answers.append(tuple(given))
        modes.append({name: _mode_in(ticks[-1], item) for name, item in runner.free.items()})
        if number + 1 < len(path.keys):
            assert runner.settled_key() == path.keys[number + 1], "the evaluator and the C step differ"
    levels = {name: _least_changes(loop, item, ticks, modes, look) for name, item in runner.free.items()}
    circuits = tuple(
        {
            signal.name: levels[signal.name][i]
            if signal.name in levels
            else tick.values[loop.circuits[signal.name].name]
            for signal in loop.controller.signals
        }
        for i, tick in enumerate(ticks)
    )
    return Replay(loop, tuple(ticks), circuits, truths_of(runner, ticks), path.keys[0], tuple(answers))


def truths_of(runner: LoopRunner, ticks: Sequence[Tick]) -> tuple[tuple[str, tuple[bool, ...]], ...]:
    """Truths of the parts by name, a value per tick."""
    values = [runner.truths(tick) for tick in ticks]
    return tuple((name, tuple(item[name] for item in values)) for name in values[0])


def _mode_in(tick: Tick, item: FreeInput) -> Mode:
    if tick.values["dark"]:
        return Mode.DARK
    faults = {tick.values["fault"], tick.values.get("second", 0)} - {0}
    if item.stuck_on in faults:
        return Mode.STUCK_ON
    if item.stuck_off in faults:
        return Mode.STUCK_OFF
    return Mode.HEALTHY


def _least_changes(
    loop: ClosedLoop,
    item: FreeInput,
    ticks: Sequence[Tick],
    modes: Sequence[dict[str, Mode]],
    look: Callable[[], None],
) -> list[int]:
    """Levels of a free input, tick by tick, with the fewest changes that fit every answer."""
    name, history = item.signal.name, item.history
    rest = int(rest_level(loop.machine, name))
    best: dict[Pair, tuple[int, Pair | None]] = {}
    trail: list[dict[Pair, tuple[int, Pair | None]]] = []
    for number, tick in enumerate(ticks):
        look()
        allowed = history.pairs[tick.nodes[name]]
        following: dict[Pair, tuple[int, Pair | None]] = {}
        if number == 0:
            following = {pair: (int(pair.circuit != rest), None) for pair in allowed}
        else:
            mode = int(modes[number - 1][name])
            by_memory: dict[Memory, list[Pair]] = {}
            for pair in sorted(allowed, key=lambda pair: (pair.circuit != rest, pair.memory)):
                by_memory.setdefault(pair.memory, []).append(pair)
            for before, (cost, _) in sorted(best.items(), key=lambda entry: (entry[1][0], entry[0].memory)):
                for pair in by_memory.get(history.steps[mode, before], ()):
                    total = cost + int(pair.circuit != before.circuit)
                    if pair not in following or total < following[pair][0]:
                        following[pair] = (total, before)
        assert following, f"no history of {name} fits the answers given"
        trail.append(following)
        best = following
    at: Pair | None = min(best, key=lambda pair: (best[pair][0], pair.circuit != rest, pair.memory))
    levels: list[int] = []
    for step in reversed(trail):
        assert at is not None
        levels.append(at.circuit)
        at = step[at][1]
    return levels[::-1]


def tell(run: Replay, headline: str) -> Story:
    """The story of a replayed path; ticks in which nothing changed are left out of its steps."""
    instants = [_instant(run, number) for number in range(len(run.ticks))]
    return Story(
        headline=headline,
        steps=steps_of(run.loop.machine, instants, run.loop.tick),
        ticks=len(instants),
        recording=stretches_of(instants),
    )


def _instant(run: Replay, number: int) -> Instant:
    """What the integers of a tick mean."""
    loop, values = run.loop, run.ticks[number].values
    begun = (values["fault"], values.get("second", 0))
    driven = {name: bool(values[cell.name]) for name, cell in loop.plant.driven.items()}
    asked = {item.name: bool(values[item.asked.name]) for item in loop.controller.outputs}
    return Instant(
        circuits={name: bool(level) for name, level in run.circuits[number].items()},
        states={
            item.name: item.states[active]
            if (active := values[item.active.name]) < len(item.states)
            else None
            for item in loop.controller.sequences
        },
        outputs=driven,
        memory={
            name: memory_value(loop.machine, name, values[cell.name])
            for cell, name in loop.controller.memory.items()
        },
        parts={
            part.name: part.describe({cell: values[cell.name] for cell in part.cells})
            for part in loop.plant.parts
        },
        faults=tuple(item.name for item in loop.faults if item.number in begun),
        forced=tuple(name for name, on in driven.items() if on != asked[name]),
        powered=not values["dark"],
        truths={name: told[number] for name, told in run.truths},
    )
