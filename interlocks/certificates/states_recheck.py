"""Re-checks a certificate that lists states: small, slow, and nothing of the explorer's.

It takes the loop's Program and runs its statements with the Python evaluator, for every
combination of choices, from every state of the certificate (``step_slices`` says how). Four
things must be true:

1. every start state is in the set;
2. every step from a state of the set ends in the set;
3. no step notes BROKEN for a requirement that the certificate shows to hold;
4. for each 'from anywhere', every state has a step to the goal (rank 1) or to a state of lower
   rank, and it has it whatever the undetermined memories of the inputs are.

Then every reachable state is in the set, whoever found it and however. The inputs that nothing
drives are done again from their meaning (``free_input_reference``), not from the explorer's tables:
a *belief* is a set of memories; in a tick each memory meets both levels of the circuit; an
answer keeps the pairs that give it, and the ``sense`` statements run on each pair that is
left. A state of the set stands for every belief that its own includes, so a step may end in a
state that believes more.

What is trusted: the Program (the statements that drop dead values among them), the evaluator,
these lines and those of ``step_slices`` and ``free_input_reference``. The digest of the file plays no part.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import Any

from stillgate.controller.effort import Effort
from stillgate.controller.errors import UsageError
from stillgate.controller.program.evaluate import Compiler, Layout
from stillgate.controller.program.footprint import Key
from stillgate.controller.program.program import FALSE, Assign, Block, Cell, Observation, Read, terms_in

from ..loop.closed_loop import ClosedLoop, FreeInput, goal_cell
from .certificate_file import Certificate
from .free_input_reference import DARK, HEALTHY, STUCK_OFF, STUCK_ON, BelievedInput, Memory
from .step_slices import Chain, Course, Host, Pairs, Trace, choices_of, links

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
        belief = {item.belief: item.signal.name for item in loop.free}
        self.believed = {belief[cell]: at for at, cell in enumerate(cells) if cell in belief}
        self.index = {state: number for number, state in enumerate(certificate.states)}
        numbers = {name: number for number, name in enumerate(loop.requirement_names)}
        self.held = {numbers[name]: name for name in certificate.requirements if name in loop.monitors.broken}
        goals = {
            name: goal_cell(number)
            for number, (name, _) in enumerate(loop.monitors.goals)
            if name in certificate.ranks
        }
        unshown = {*certificate.requirements} - {*loop.monitors.broken} - {*goals}
        for name in sorted(unshown | {*certificate.ranks} - {*goals}):
            raise UsageError(f"the certificate cannot show '{name}': it holds nothing to check that by")
        self._lay_out(goals)
        self._nearer: dict[tuple[Course, State], tuple[int, ...] | None] = {}
        self._inside: dict[Course, bool] = {}

    def _lay_out(self, goals: dict[str, Cell]) -> None:
        loop, cells = self.loop, self.loop.key_cells
        self.layout = Layout((*loop.controller.cells, *loop.plant.cells, loop.fault, loop.dark, *cells))
        self.host = Host(self.inputs, loop.sensed, self.layout)
        signals = {signal.name: signal for signal in loop.sensed}

        def chain(blocks: Sequence[Block], ends: Sequence[Key]) -> Chain:
            return Chain(blocks, ends, host=self.host, layout=self.layout, period=loop.tick, signals=signals)

        rest = (loop.after, loop.settle, loop.moves)
        unsensed = tuple(
            Assign(cell, FALSE)
            for signal in loop.sensed
            for cell in (signal.level, signal.was)
            if cell is not None
        )
        controller = (*(signal.sense for signal in loop.sensed), loop.controller.observe)
        ends: tuple[Key, ...] = (*cells, *goals.values(), *self.inputs)
        self.lit = chain((*controller, *(stage.block for stage in loop.controller.stages), *rest), ends)
        self.unlit = chain((unsensed, *rest), ends)
        reads = dict.fromkeys((*self.lit.begins, *self.unlit.begins))
        between = [key for key in reads if isinstance(key, Cell)]
        self.before = chain((loop.before,), (*between, loop.fault, loop.dark))
        self.begin = Compiler(self.layout, loop.tick, self.host).block(loop.begin)
        self.slots = [self.layout.slot(cell) for cell in cells]
        self.goals = {name: len(cells) + number for number, name in enumerate(goals)}
        self.links_at = len(cells) + len(goals)
        self.start = self.layout.start_values()

    # -- one tick --------------------------------------------------------------------------

    def tick(self, state: State) -> dict[Course, Trace]:
        """Every end of a tick from a state: the cells after it, the goals in it, the inputs' links."""
        values = dict(zip(self.loop.key_cells, state, strict=True))
        cells = (key for key in self.before.begins if isinstance(key, Cell))
        begins = tuple(values.get(cell, cell.start) for cell in cells)
        broken = partial(self._note, state)
        found: dict[Course, Trace] = {}
        for course, trace in self.before.run({begins: None}, broken).items():
            now: dict[Key, Any] = dict(zip(self.before.ends, course, strict=True))
            chain = self.unlit if now[self.loop.dark] else self.lit
            for name, item in self.inputs.items():
                mode = self._mode(now[self.loop.fault], now[self.loop.dark], item.item)
                pairs = Pairs(mode, frozenset(product(self._memories(state, name), (0, 1))))
                now[name] = pairs if name in chain.asked else links(item, pairs)
            for end, way in chain.run({tuple(now[key] for key in chain.begins): trace}, broken).items():
                found.setdefault(end, way)
        return found

    def _mode(self, fault: int, dark: int, item: FreeInput) -> int:
        if dark:
            return DARK
        if fault and fault == item.stuck_on:
            return STUCK_ON
        return STUCK_OFF if fault and fault == item.stuck_off else HEALTHY

    def _memories(self, state: State, name: str) -> frozenset[Memory]:
        """What an input is believed to remember in a state."""
        return self.inputs[name].sets[state[self.believed[name]] if name in self.believed else 0]

    def _note(self, state: State, broken: frozenset[int], trace: Trace) -> None:
        for index in sorted(broken & self.held.keys()):
            raise _Wrong(
                self._refusal(f"{self.held[index]} breaks in a step from a state of it", state, trace)
            )

    # -- where a tick ends -----------------------------------------------------------------

    def covering(self, cells: State, memories: Mapping[str, frozenset[Memory]]) -> int | None:
        """The number of a state that stands for these cells and memories, if there is one."""
        key = list(cells)
        names = list(self.believed)
        for numbers in product(*(self.inputs[name].believing(memories[name]) for name in names)):
            for name, number in zip(names, numbers, strict=True):
                key[self.believed[name]] = number
            found = self.index.get(tuple(key))
            if found is not None:
                return found
        return None

    def ends(self, course: Course) -> dict[str, frozenset[Memory]]:
        """Memories after the tick, by input."""
        left = zip(self.inputs, course[self.links_at :], strict=True)
        return {name: frozenset(after for _, after in found) for name, found in left}

    def split(self, memories: dict[str, frozenset[Memory]]) -> Iterator[dict[str, frozenset[Memory]]]:
        """The same with one memory an input, in every combination."""
        names = list(memories)
        for combination in product(*(sorted(memories[name]) for name in names)):
            yield {name: frozenset({memory}) for name, memory in zip(names, combination, strict=True)}

    def inside(self, course: Course) -> bool:
        """Whether every end of a course is in the set."""
        found = self._inside.get(course)
        if found is None:
            cells, memories = course[: len(self.slots)], self.ends(course)
            found = self._inside[course] = self._all_inside(cells, memories)
        return found

    def _all_inside(self, cells: State, memories: dict[str, frozenset[Memory]]) -> bool:
        if self.covering(cells, memories) is not None:
            return True
        if all(len(item) == 1 for item in memories.values()):
            return False
        return all(self.covering(cells, item) is not None for item in self.split(memories))

    def sure_ends(self, state: State, course: Course) -> tuple[int, ...] | None:
        """States that a course leads to from whatever memories the state believes in; None: not from all."""
        beliefs = tuple(state[at] for at in self.believed.values())
        try:
            return self._nearer[course, beliefs]
        except KeyError:
            pass
        found: dict[int, None] | None = None
        if self._open_to_all(state, course, None):
            found = {}
            cells, ends = course[: len(self.slots)], self.ends(course)
            for wanted in (ends, *self.split(ends)):
                if wanted is ends or self._open_to_all(state, course, wanted):
                    number = self.covering(cells, wanted)
                    if number is not None:
                        found[number] = None
        result = self._nearer[course, beliefs] = None if found is None else tuple(found)
        return result

    def _open_to_all(
        self, state: State, course: Course, wanted: Mapping[str, frozenset[Memory]] | None
    ) -> bool:
        """Whether every memory believed in is among those left (that end as wanted)."""
        for name, found in zip(self.inputs, course[self.links_at :], strict=True):
            left = {before for before, after in found if wanted is None or after in wanted[name]}
            if left != self._memories(state, name):
                return False
        return True

    # -- the four conditions ---------------------------------------------------------------

    def check_starts(self) -> int:
        """The first condition; how many starts there are."""
        memories = {name: frozenset({item.start}) for name, item in self.inputs.items()}
        starts = 0
        for _ in self.host.combinations():
            values = list(self.start)
            self.begin(values)
            starts += 1
            state = tuple(values[slot] for slot in self.slots)
            if not self._all_inside(state, memories):
                raise _Wrong(self._refusal("a start state is missing", state, (None, self.host.chosen)))
        return starts

    def check_state(self, number: int) -> int:
        """The other three of one state; how many different ends its ticks have."""
        state = self.certificate.states[number]
        missing = dict(self.certificate.ranks)
        courses = self.tick(state)
        for course, trace in courses.items():
            if not self.inside(course):
                raise _Wrong(self._refusal("a step leads to a state that is missing", state, trace))
            if not missing:
                continue
            ends = self.sure_ends(state, course)
            if ends is None:
                continue
            for name, ranks in list(missing.items()):
                nearer = ranks[number] > 1 and any(ranks[end] < ranks[number] for end in ends)
                if nearer or course[self.goals[name]]:
                    del missing[name]
        for name in missing:
            raise _Wrong(self._refusal(f"{name}: no step leads nearer to the goal", state, None))
        return len(courses)

    def _refusal(self, text: str, state: State, trace: Trace) -> Refusal:
        names = (cell.name for cell in self.loop.key_cells)
        return Refusal(text, dict(zip(names, state, strict=True)), choices_of(trace))


def _asked_for_edges(loop: ClosedLoop) -> set[str]:
    """Inputs whose circuit's own edges something asks for."""
    edges = (Observation.CIRCUIT_ROSE, Observation.CIRCUIT_FELL)
    blocks = (*loop.controller.observe, *loop.controller.decide, *loop.after)
    return {t.signal for t in terms_in(blocks) if isinstance(t, Read) and t.observation in edges}


def recheck_states(
    loop: ClosedLoop,
    certificate: Certificate,
    *,
    effort: Effort | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Recheck:
    """Checks a certificate that lists states against its loop.

    Args:
        loop: closed as ``certificate_loop`` does.
        effort: over, the re-check is cut short.
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
            if effort is not None and effort.over:
                return Recheck(None, done, steps, time.monotonic() - began, cut_short=True)
            steps += checker.check_state(done)
            if progress is not None and done % 256 == 0:
                progress(done, total)
    except _Wrong as wrong:
        return Recheck(wrong.refusal, done, steps, time.monotonic() - began)
    return Recheck(None, total, steps, time.monotonic() - began)
