"""Re-checks a certificate that lists states: small, slow, and nothing of the explorer's.

It takes the loop's Program and runs its statements with the Python evaluator, once for every
combination of choices, from every state of the certificate. Four things must be true:

1. every start state is in the set;
2. every step from a state of the set ends in the set;
3. no step notes BROKEN for a requirement that the certificate shows to hold;
4. for each 'from anywhere', every state has a step to the goal (rank 1) or to a state of lower
   rank, and it has it whatever the undetermined memories of the inputs are.

Then every reachable state is in the set, whoever found it and however. The inputs that nothing
drives are done again from their meaning (``believed_input``), not from the explorer's tables:
a *belief* is a set of memories; in a tick each memory meets both levels of the circuit; an
answer keeps the pairs that give it, and the ``sense`` statements run on each pair that is
left. A state of the set stands for every belief that its own includes, so a step may end in a
state that believes more.

What is trusted: the Program (the statements that drop dead values among them), the evaluator,
and these lines. The digest of the file plays no part.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from stillgate.controller.errors import UsageError
from stillgate.controller.evaluate import Compiler, Layout, Values, answer_from_cells
from stillgate.controller.program import Cell, NoteKind, Observation, Read, terms_in
from stillgate.controller.quantities import Ticks

from .believed_input import DARK, HEALTHY, STUCK_OFF, STUCK_ON, BelievedInput, Memory, Pair
from .certificate import Certificate
from .closed_loop import ClosedLoop, FreeInput, goal_cell

State = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a certificate is refused, and where."""

    text: str
    state: dict[str, int]  # value of each cell of the state it was noticed in
    choices: tuple[tuple[str, int], ...] = ()  # what was chosen in the step, in order


@dataclass(frozen=True, slots=True)
class Recheck:
    """What a re-check did: the certificate stands if ``refusal`` is None and it was not cut short."""

    refusal: Refusal | None
    states: int
    steps: int
    seconds: float
    cut_short: bool = False


class _Wrong(Exception):  # noqa: N818
    def __init__(self, refusal: Refusal) -> None:
        self.refusal = refusal


class _Host:
    """Answers one run of the statements from a list of choices, and keeps what was asked."""

    def __init__(self, inputs: dict[str, BelievedInput]) -> None:
        self.inputs = inputs
        self.sensed: dict[str, Callable[[Values, Observation, Ticks], int]] = {}
        self.begin([])

    def begin(self, fixed: Sequence[int]) -> None:
        self.fixed = fixed
        self.asked: list[tuple[str, int]] = []
        self.picks: list[int] = []
        self.broken: set[int] = set()
        self.pairs: dict[str, frozenset[Pair]] = {}
        self.modes: dict[str, int] = {}

    def choose(self, cell: Cell, count: int) -> int:
        return self.pick(cell.name, count)

    def pick(self, name: str, count: int) -> int:
        at = len(self.picks)
        self.picks.append(self.fixed[at] if at < len(self.fixed) else 0)
        self.asked.append((name, count))
        return self.picks[at]

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        item = self.inputs.get(signal)
        if item is None:
            return self.sensed[signal](values, observation, ticks)
        mode, pairs = self.modes[signal], self.pairs[signal]
        yes = frozenset(pair for pair in pairs if item.says(mode, pair, observation, ticks))
        answer = len(yes) == len(pairs) if len(yes) in (0, len(pairs)) else self.pick(signal, 2) == 1
        self.pairs[signal] = yes if answer else pairs - yes
        return int(answer)

    def note(self, kind: NoteKind, index: int) -> None:
        if kind is NoteKind.BROKEN:
            self.broken.add(index)

    def following(self) -> list[int] | None:
        """The next combination of choices, or None after the last."""
        picks = list(self.picks)
        while picks and picks[-1] + 1 >= self.asked[len(picks) - 1][1]:
            picks.pop()
        return [*picks[:-1], picks[-1] + 1] if picks else None


class _Checker:
    def __init__(self, loop: ClosedLoop, certificate: Certificate) -> None:
        self.loop, self.certificate = loop, certificate
        cells = loop.key_cells
        if tuple((cell.name, cell.low, cell.high) for cell in cells) != certificate.cells:
            raise UsageError("the certificate's cells are not those of this machine at this tick")
        names = [item.signal.name for item in loop.free]
        if sorted(names) != sorted(certificate.beliefs):
            raise UsageError("the certificate's free inputs are not those of this machine")
        sets = {
            name: tuple(frozenset(memories) for memories in found)
            for name, found in certificate.beliefs.items()
        }
        past = _asked_for_edges(loop)
        self.inputs = {
            name: BelievedInput(item, sets[name], loop.tick, name in past)
            for name, item in zip(names, loop.free, strict=True)
        }
        self.layout = Layout((*loop.controller.cells, *loop.plant.cells, loop.fault, loop.dark, *cells))
        self.host = _Host(self.inputs)
        compiler = Compiler(self.layout, loop.tick, self.host)
        self.blocks = {
            name: compiler.block(block)
            for name, block in (
                ("begin", loop.begin), ("before", loop.before), ("observe", loop.controller.observe),
                ("decide", loop.controller.decide), ("after", loop.after), ("settle", loop.settle),
                ("moves", loop.moves),
            )
        }  # fmt: skip
        self.sense = [compiler.block(signal.sense) for signal in loop.sensed]
        for signal in loop.sensed:
            self.host.sensed[signal.name] = answer_from_cells(signal, self.layout)
        self.slots = [self.layout.slot(cell) for cell in cells]
        self.goals = {
            name: self.layout.slot(goal_cell(number))
            for number, (name, _) in enumerate(loop.monitors.goals)
            if name in certificate.ranks
        }
        belief = {item.belief: item.signal.name for item in loop.free}
        self.believed = {belief[cell]: at for at, cell in enumerate(cells) if cell in belief}
        self.index = {state: number for number, state in enumerate(certificate.states)}
        numbers = {name: number for number, name in enumerate(loop.requirement_names)}
        self.held = {numbers[name]: name for name in certificate.requirements if name in loop.monitors.broken}
        unshown = {*certificate.requirements} - {*loop.monitors.broken} - {*self.goals}
        for name in sorted(unshown | {*certificate.ranks} - {*self.goals}):
            raise UsageError(f"the certificate cannot show '{name}': it holds nothing to check that by")
        self.fault, self.dark = self.layout.slot(loop.fault), self.layout.slot(loop.dark)
        self.start = self.layout.start_values()

    # -- one run of the statements ---------------------------------------------------------

    def begin(self) -> tuple[Values, dict[str, frozenset[Memory]]]:
        """A start state."""
        values = list(self.start)
        self.blocks["begin"](values)
        return values, {name: frozenset({item.start}) for name, item in self.inputs.items()}

    def tick(self, state: State) -> tuple[Values, set[str]]:
        """One tick from a state: the values after it, and the goals that were true in it."""
        host, values = self.host, list(self.start)
        for slot, value in zip(self.slots, state, strict=True):
            values[slot] = value
        self.blocks["before"](values)
        for name, item in self.inputs.items():
            number = state[self.believed[name]] if name in self.believed else 0
            host.pairs[name] = frozenset((memory, level) for memory in item.sets[number] for level in (0, 1))
            host.modes[name] = self._mode(values, item.item)
        if values[self.dark]:
            for signal in self.loop.sensed:
                for cell in (signal.level, signal.was):
                    if cell is not None:
                        values[self.layout.slot(cell)] = 0
        else:
            for sense in self.sense:
                sense(values)
            self.blocks["observe"](values)
            self.blocks["decide"](values)
        self.blocks["after"](values)
        goals = {name for name, slot in self.goals.items() if values[slot]}
        self.blocks["settle"](values)
        self.blocks["moves"](values)
        return values, goals

    def _mode(self, values: Values, item: FreeInput) -> int:
        if values[self.dark]:
            return DARK
        fault = values[self.fault]
        if fault and fault == item.stuck_on:
            return STUCK_ON
        return STUCK_OFF if fault and fault == item.stuck_off else HEALTHY

    # -- where a step ends -----------------------------------------------------------------

    def ends(self) -> dict[str, frozenset[Memory]]:
        """Memories after the tick, by input."""
        return {
            name: frozenset(self.inputs[name].after(self.host.modes[name], pair)[0] for pair in pairs)
            for name, pairs in self.host.pairs.items()
        }

    def covering(self, values: Values, memories: dict[str, frozenset[Memory]]) -> int | None:
        """The number of a state that stands for these values and memories, if there is one."""
        key = [values[slot] for slot in self.slots]
        names = list(self.believed)
        for numbers in product(*(self.inputs[name].believing(memories[name]) for name in names)):
            for name, number in zip(names, numbers, strict=True):
                key[self.believed[name]] = number
            found = self.index.get(tuple(key))
            if found is not None:
                return found
        return None

    def split(self, memories: dict[str, frozenset[Memory]]) -> Iterator[dict[str, frozenset[Memory]]]:
        """The same with one memory an input, in every combination."""
        names = list(memories)
        for combination in product(*(sorted(memories[name]) for name in names)):
            yield {name: frozenset({memory}) for name, memory in zip(names, combination, strict=True)}

    def uncovered(self, values: Values, memories: dict[str, frozenset[Memory]]) -> bool:
        """Whether some end of a step is outside the set."""
        if self.covering(values, memories) is not None:
            return False
        if all(len(item) == 1 for item in memories.values()):
            return True
        return any(self.covering(values, item) is None for item in self.split(memories))

    def lowest(self, state: State, values: Values, ranks: Sequence[int]) -> int | None:
        """The lowest rank that this step leads to from whatever memories the state believes in."""
        if not self._open_to_all(state, None):
            return None
        ends = self.ends()
        found: list[int] = []
        for wanted in (ends, *self.split(ends)):
            if wanted is ends or self._open_to_all(state, wanted):
                number = self.covering(values, wanted)
                if number is not None:
                    found.append(ranks[number])
        return min(found, default=None)

    def _open_to_all(self, state: State, wanted: dict[str, frozenset[Memory]] | None) -> bool:
        """Whether every memory believed in is among the pairs left (that end as wanted)."""
        for name, item in self.inputs.items():
            mode = self.host.modes[name]
            believed = item.sets[state[self.believed[name]] if name in self.believed else 0]
            left = {
                pair[0]
                for pair in self.host.pairs[name]
                if wanted is None or item.after(mode, pair)[0] in wanted[name]
            }
            if left != believed:
                return False
        return True

    # -- the four conditions ---------------------------------------------------------------

    def check_starts(self) -> int:
        steps = 0
        for _ in self._combinations():
            values, memories = self.begin()
            steps += 1
            if self.uncovered(values, memories):
                raise _Wrong(self._refusal("a start state is missing", self._key(values)))
        return steps

    def check_state(self, number: int) -> int:
        state = self.certificate.states[number]
        missing = dict(self.certificate.ranks)
        steps = 0
        for _ in self._combinations():
            values, goals = self.tick(state)
            steps += 1
            for index in self.host.broken & self.held.keys():
                raise _Wrong(self._refusal(f"{self.held[index]} breaks in a step from a state of it", state))
            if self.uncovered(values, self.ends()):
                raise _Wrong(self._refusal("a step leads to a state that is missing", state))
            for name, ranks in list(missing.items()):
                if name in goals and self._open_to_all(state, None):
                    del missing[name]
                elif ranks[number] > 1:
                    lowest = self.lowest(state, values, ranks)
                    if lowest is not None and lowest < ranks[number]:
                        del missing[name]
        for name in missing:
            raise _Wrong(self._refusal(f"{name}: no step leads nearer to the goal", state))
        return steps

    def _combinations(self) -> Iterator[None]:
        fixed: list[int] | None = []
        while fixed is not None:
            self.host.begin(fixed)
            yield
            fixed = self.host.following()

    def _key(self, values: Values) -> State:
        return tuple(values[slot] for slot in self.slots)

    def _refusal(self, text: str, state: State) -> Refusal:
        names = (cell.name for cell in self.loop.key_cells)
        choices = ((name, pick) for (name, _), pick in zip(self.host.asked, self.host.picks, strict=True))
        return Refusal(text, dict(zip(names, state, strict=True)), tuple(choices))


def _asked_for_edges(loop: ClosedLoop) -> set[str]:
    """Inputs whose circuit's own edges something asks for."""
    edges = (Observation.CIRCUIT_ROSE, Observation.CIRCUIT_FELL)
    blocks = (*loop.controller.observe, *loop.controller.decide, *loop.after)
    return {t.signal for t in terms_in(blocks) if isinstance(t, Read) and t.observation in edges}


def recheck_states(
    loop: ClosedLoop,
    certificate: Certificate,
    *,
    deadline: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Recheck:
    """Checks a certificate that lists states against its loop.

    Args:
        loop: closed as ``certificate_loop`` does.
        deadline: on the monotonic clock, in s; reached, the re-check is cut short.
        progress: told the states done and the states to do.

    Raises:
        UsageError: if certificate and loop do not belong together, or it says more than it can show.
    """
    began = time.monotonic()
    checker = _Checker(loop, certificate)
    total, done, steps = len(certificate.states), 0, 0
    try:
        steps += checker.check_starts()
        for done in range(total):
            if deadline is not None and time.monotonic() >= deadline:
                return Recheck(None, done, steps, time.monotonic() - began, cut_short=True)
            steps += checker.check_state(done)
            if progress is not None and done % 256 == 0:
                progress(done, total)
    except _Wrong as wrong:
        return Recheck(wrong.refusal, done, steps, time.monotonic() - began)
    return Recheck(None, total, steps, time.monotonic() - began)
