"""Turns a path of the exploration into a story a technician can follow.

The path is a list of stored states and choices; replaying it in Python gives every signal
at every tick. Free inputs that the search never asked for are filled in afterwards with
the levels that change least often among all those that fit every answer given, so the
story can be replayed on the executive as it stands.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from stillgate.controller.program.program import Cell
from stillgate.controller.rules.single_faults import POWER_INTERRUPTED
from stillgate.sim_io.simulation.operators import rest_level

from ..results.verdict import Cause, Change, Story, StoryStep
from .closed_loop import ClosedLoop, FreeInput
from .free_inputs import Memory, Mode, Pair
from .interpreter import Chooser, LoopRunner, Tick
from .state_layout import Key


@dataclass(frozen=True, slots=True)
class Path:
    """Stored states from a start state on, and the choices of each transition."""

    keys: tuple[Key, ...]
    choices: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Replay:
    """A path's ticks with the level of every circuit."""

    loop: ClosedLoop
    ticks: tuple[Tick, ...]
    circuits: tuple[dict[str, int], ...]
    truths: tuple[tuple[str, tuple[bool, ...]], ...]  # of parts, by name: a value per tick


def replay(
    loop: ClosedLoop,
    path: Path,
    *,
    switches: Mapping[str, int] | None = None,
    look: Callable[[], None] = lambda: None,
) -> Replay:
    """Replays a path; ``switches`` are answers that were told before the search.

    Args:
        look: called at every tick; what it raises ends the replay.

    Raises:
        AssertionError: if Python and C disagree about it, which is a defect.
    """
    runner = LoopRunner(loop, switches=switches)
    ticks: list[Tick] = []
    modes: list[dict[str, Mode]] = []
    runner.load(path.keys[0])
    for number, picks in enumerate(path.choices):
        look()
        ticks.append(runner.step(answering(picks), settle=False))
        modes.append({name: _mode_in(ticks[-1], item) for name, item in runner.free.items()})
        if number + 1 < len(path.keys):
            assert runner.settled_key() == path.keys[number + 1], "the evaluator and the C step differ"
    levels = {name: _least_changes(loop, item, ticks, modes, look) for name, item in runner.free.items()}
    circuits = tuple(
        {
            signal.name: levels[signal.name][i]
            if signal.name in levels
            else tick.values[f"{signal.name}.circuit"]
            for signal in loop.controller.signals
        }
        for i, tick in enumerate(ticks)
    )
    return Replay(loop, tuple(ticks), circuits, truths_of(runner, ticks))


def truths_of(runner: LoopRunner, ticks: Sequence[Tick]) -> tuple[tuple[str, tuple[bool, ...]], ...]:
    """Truths of the parts by name, a value per tick."""
    values = [runner.truths(tick) for tick in ticks]
    return tuple((name, tuple(item[name] for item in values)) for name in values[0])


def answering(picks: Sequence[int]) -> Chooser:
    """Answers choices by picks, one after another."""
    answers = iter(picks)
    return lambda name, count: next(answers)


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
    """The story of a replayed path; ticks in which nothing changed are left out."""
    loop = run.loop
    steps: list[StoryStep] = []
    for number, tick in enumerate(run.ticks):
        changes = tuple(_changes(run, number))
        if changes or number in (0, len(run.ticks) - 1):
            steps.append(
                StoryStep(
                    tick=number,
                    time=number * loop.tick,
                    changes=changes,
                    on_outputs=tuple(
                        o.name for o in loop.controller.outputs if tick.values[f"{o.name}.driven"]
                    ),
                    states=tuple(
                        (s.name, state_text(run, number, s.name)) for s in loop.controller.sequences
                    ),
                )
            )
    return Story(
        headline=headline,
        fault=" and ".join(_faults(run, len(run.ticks) - 1)) or None,
        start=tuple((part.name, part_text(run, 0, part.name)) for part in loop.plant.parts),
        steps=tuple(steps),
        ticks=len(run.ticks),
        inputs=tuple(tuple(levels.items()) for levels in run.circuits),
        truths=run.truths,
    )


def state_text(run: Replay, number: int, sequence: str) -> str:
    """Active state of a sequence in a tick, or 'off' without power."""
    found = next(item for item in run.loop.controller.sequences if item.name == sequence)
    active = run.ticks[number].values[f"{sequence}.active"]
    return found.states[active] if active < len(found.states) else "off"


def part_text(run: Replay, number: int, part: str) -> str:
    """Where a part stands in a tick."""
    found = next(item for item in run.loop.plant.parts if item.name == part)
    values: dict[Cell, int] = {cell: run.ticks[number].values[cell.name] for cell in found.cells}
    return found.describe(values)


def _faults(run: Replay, number: int) -> list[str]:
    """Names of the faults that have begun by a tick."""
    now = run.ticks[number].values
    begun = (now["fault"], now.get("second", 0))
    return [item.name for item in run.loop.faults if item.number in begun]


def _changes(run: Replay, number: int) -> list[Change]:
    loop = run.loop
    now = run.ticks[number].values
    before = run.ticks[number - 1].values if number else None
    found: list[Change] = []
    if now["dark"] and not (before and before["dark"]):
        found.append(Change("power", "on", "interrupted", Cause.FAULT))
    elif before and before["dark"] and not now["dark"]:
        found.append(Change("power", "interrupted", "back, cold start", Cause.FAULT))
    for name in (
        item for item in _faults(run, number) if number == 0 or item not in _faults(run, number - 1)
    ):
        if name != POWER_INTERRUPTED:
            subject, _, state = name.partition(" ")
            found.append(Change(subject, "healthy", state, Cause.FAULT))
    found += _circuit_changes(run, number)
    for part in loop.plant.parts:
        if number and part_text(run, number, part.name) != part_text(run, number - 1, part.name):
            old, new = part_text(run, number - 1, part.name), part_text(run, number, part.name)
            found.append(Change(part.name, old, new, Cause.PART))
    for sequence in loop.controller.sequences:
        old = state_text(run, number - 1, sequence.name) if number else sequence.states[sequence.start]
        new = state_text(run, number, sequence.name)
        if old != new:
            found.append(Change(sequence.name, old, new, Cause.CONTROLLER))
    for cell in loop.controller.memory:
        start = before[cell.name] if before else cell.start
        if now[cell.name] != start:
            name = cell.name.removesuffix(".value")
            found.append(Change(name, _value(cell, start), _value(cell, now[cell.name]), Cause.CONTROLLER))
    for output in loop.controller.outputs:
        was = before[f"{output.name}.driven"] if before else 0
        if now[f"{output.name}.driven"] != was:
            by_fault = now[f"{output.name}.driven"] != now[f"{output.name}.asked"]
            cause = Cause.FAULT if by_fault else Cause.CONTROLLER
            found.append(Change(output.name, _word(was), _word(1 - was), cause))
    return found


def _circuit_changes(run: Replay, number: int) -> list[Change]:
    loop = run.loop
    found: list[Change] = []
    for name, level in run.circuits[number].items():
        sensed = name in loop.plant.circuits
        at_rest = level if sensed else int(rest_level(loop.machine, name))
        was = run.circuits[number - 1][name] if number else at_rest
        if level != was:
            source = loop.machine.inputs[name].source
            cause = Cause.PART if sensed else Cause.OPERATOR if source == "operator" else Cause.FREE
            found.append(Change(name, _word(was), _word(level), cause))
    return found


def _word(level: int) -> str:
    return "on" if level else "off"


def _value(cell: Cell, value: int) -> str:
    return _word(value) if cell.is_truth else str(value)
