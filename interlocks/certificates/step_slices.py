"""Cuts a tick into pieces and runs each piece once for whatever it reads: for the re-check of certificates.

Run as one, a tick has as many courses as its choices have combinations: what an operator's
switch does times what each part does. Cut into *pieces*, runs of a few statements, it has few:
a piece is run once for each combination of values that it reads, and what it then writes is
kept. Between two pieces a *course* is the tuple of the values that a later piece reads or that
make up the state after the tick; courses with the same values are one.

Which cells a piece reads is taken from its statements: those that it reads before it has
written them in every case, and those that it writes in some cases only, whose old value stays.
An input that nothing drives is one more value of the tuple: the pairs of memory and level that
its answers have left, and after its last question only which memories they lead from and to.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any, NamedTuple

from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.program.controller_program import Signal
from stillgate.controller.program.evaluate import BlockCode, BlockCompiler, Layout, Values, answer_from_cells
from stillgate.controller.program.footprint import Footprint, Key
from stillgate.controller.program.program import Block, Cell, NoteKind, Observation

from .free_input_reference import BelievedInput, Memory, Pair

MOST_READ = 24
"""A piece takes on statements while it reads no more values than this."""

Course = tuple[Any, ...]
"""Values between two pieces."""

Asked = tuple[tuple[str, int], ...]
"""What was chosen, in order: name and number of the answer."""

Trace = tuple["Trace", Asked] | None
"""How a course came about, the last piece's choices first."""


class SlicePairs(NamedTuple):
    """What is left of an input in a tick: how it reaches the controller, and memories with levels."""

    mode: int
    pairs: frozenset[Pair]


Links = frozenset[tuple[Memory, Memory]]
"""Memories of an input before a tick, each with one it may have after it."""


def choices_of(trace: Trace) -> Asked:
    """The choices of a course in the order in which they were asked."""
    found: list[Asked] = []
    while trace is not None:
        trace, asked = trace
        found.append(asked)
    return tuple(item for asked in reversed(found) for item in asked)


@dataclass(frozen=True)
class _Cut:
    """A piece before it is placed among the others."""

    block: Block
    reads: tuple[Key, ...]  # with the cells that are not written in every case
    writes: tuple[Cell, ...]
    certain: frozenset[Cell]  # written in every case


def _cut(block: Block, signals: Mapping[str, Signal]) -> _Cut:
    found = Footprint(signals)
    certain = found.block(block)
    kept = (cell for cell in found.writes if cell not in certain)
    return _Cut(block, tuple(dict.fromkeys((*found.reads, *kept))), tuple(found.writes), certain)


def _cuts(blocks: Iterable[Block], signals: Mapping[str, Signal]) -> list[_Cut]:
    """The statements of the blocks in pieces; no piece reaches from one block into the next."""
    found: list[_Cut] = []
    for block in blocks:
        piece: _Cut | None = None
        for statement in block:
            longer = _cut((*(piece.block if piece else ()), statement), signals)
            if piece is not None and len(longer.reads) > MOST_READ:
                found.append(piece)
                longer = _cut((statement,), signals)
            piece = longer
        if piece is not None:
            found.append(piece)
    return found


# -- running -------------------------------------------------------------------------------------


class SliceHost:
    """Answers one run of statements from a list of choices, and keeps what was asked."""

    def __init__(self, inputs: Mapping[str, BelievedInput], sensed: Iterable[Signal], layout: Layout) -> None:
        self.inputs = inputs
        self.sensed: dict[str, Callable[[Values, Observation, Ticks], int]] = {
            signal.name: answer_from_cells(signal, layout) for signal in sensed
        }
        self.left: dict[str, SlicePairs] = {}
        self.begin([])

    def begin(self, fixed: Sequence[int]) -> None:
        self.fixed = fixed
        self.asked: list[tuple[str, int]] = []
        self.picks: list[int] = []
        self.broken: set[int] = set()

    def combinations(self) -> Iterator[None]:
        """Every combination of choices, one after another: run the statements once for each."""
        fixed: list[int] | None = []
        while fixed is not None:
            self.begin(fixed)
            yield
            fixed = self._following()

    @property
    def chosen(self) -> Asked:
        """What was chosen in this run."""
        return tuple((name, pick) for (name, _), pick in zip(self.asked, self.picks, strict=True))

    def choose(self, cell: Cell, count: int) -> int:
        return self._pick(cell.name, count)

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        item = self.inputs.get(signal)
        if item is None:
            return self.sensed[signal](values, observation, ticks)
        left = self.left[signal]
        yes = frozenset(pair for pair in left.pairs if item.says(left.mode, pair, observation, ticks))
        if len(yes) in (0, len(left.pairs)):
            return int(bool(yes))
        answer = self._pick(signal, 2)
        self.left[signal] = SlicePairs(left.mode, yes if answer else left.pairs - yes)
        return answer

    def note(self, kind: NoteKind, index: int) -> None:
        if kind is NoteKind.BROKEN:
            self.broken.add(index)

    def _pick(self, name: str, count: int) -> int:
        at = len(self.picks)
        self.picks.append(self.fixed[at] if at < len(self.fixed) else 0)
        self.asked.append((name, count))
        return self.picks[at]

    def _following(self) -> list[int] | None:
        picks = list(self.picks)
        while picks and picks[-1] + 1 >= self.asked[len(picks) - 1][1]:
            picks.pop()
        return [*picks[:-1], picks[-1] + 1] if picks else None


@dataclass(frozen=True, slots=True)
class _Outcome:
    written: Course
    broken: frozenset[int]
    asked: Asked


@dataclass
class _Piece:
    code: BlockCode
    cells: tuple[int, ...]  # slots it reads, then
    names: tuple[str, ...]  # inputs it asks
    writes: tuple[int, ...]  # slots that are looked at afterwards
    asked_last: tuple[bool, ...]  # for each of the names
    reads: Callable[[Course], Course]
    following: Callable[[Course], Course]  # of the values before, then those written
    known: dict[Course, tuple[_Outcome, ...]] = field(default_factory=dict)


class Chain:
    """Pieces one after another, from the values they begin with to those asked for at the end."""

    def __init__(
        self,
        blocks: Sequence[Block],
        ends: Sequence[Key],
        *,
        host: SliceHost,
        layout: Layout,
        period: Milliseconds,
        signals: Mapping[str, Signal],
    ) -> None:
        self.host, self.ends = host, tuple(ends)
        compiler = BlockCompiler(layout, period, host)
        pieces: list[_Piece] = []
        needed = self.ends
        for cut in reversed(_cuts(blocks, signals)):
            later = set(needed)
            writes = [cell for cell in cut.writes if cell in later]
            names = [key for key in cut.reads if isinstance(key, str)]
            cells = [key for key in cut.reads if isinstance(key, Cell)]
            read: tuple[Key, ...] = (*cells, *names)
            written: tuple[Key, ...] = (*writes, *names)
            before = tuple(dict.fromkeys((*(key for key in needed if key not in cut.certain), *cut.reads)))
            place = {key: number for number, key in enumerate((*before, *written))}  # the last counts
            old = {key: number for number, key in enumerate(before)}
            pieces.append(
                _Piece(
                    code=compiler.block(cut.block),
                    cells=tuple(layout.slot(cell) for cell in cells),
                    names=tuple(names),
                    writes=tuple(layout.slot(cell) for cell in writes),
                    asked_last=(),
                    reads=_getter([old[key] for key in read]),
                    following=_getter([place[key] for key in needed]),
                )
            )
            needed = before
        self.begins = needed
        asked: set[str] = set()
        for piece in pieces:  # from the last to the first
            piece.asked_last = tuple(name not in asked for name in piece.names)
            asked |= set(piece.names)
        self.asked = frozenset(asked)
        self.pieces = tuple(reversed(pieces))
        self.start = layout.start_values()

    def run(
        self, courses: dict[Course, Trace], broken: Callable[[frozenset[int], Trace], None]
    ) -> dict[Course, Trace]:
        """Every course that begins as one of these.

        Args:
            courses: values in the order of ``begins``.
            broken: told what a piece notes as broken, and by which choices.

        Returns:
            values in the order of ``ends``.
        """
        for piece in self.pieces:
            ended: dict[Course, Trace] = {}
            reads, following, known = piece.reads, piece.following, piece.known
            for course, trace in courses.items():
                read = reads(course)
                outcomes = known.get(read)
                if outcomes is None:
                    outcomes = known[read] = tuple(self._outcomes(piece, read))
                for item in outcomes:
                    now = following(course + item.written)
                    if item.broken:
                        broken(item.broken, (trace, item.asked))
                    if now not in ended:
                        ended[now] = (trace, item.asked) if item.asked else trace
            courses = ended
        return courses

    def _outcomes(self, piece: _Piece, read: Course) -> Iterator[_Outcome]:
        """One run for each combination of choices; outcomes that are the same are one."""
        host = self.host
        known: set[tuple[Course, frozenset[int]]] = set()
        cells, left = read[: len(piece.cells)], read[len(piece.cells) :]
        for _ in host.combinations():
            values = list(self.start)
            for slot, value in zip(piece.cells, cells, strict=True):
                values[slot] = value
            host.left = dict(zip(piece.names, left, strict=True))
            piece.code(values)
            kept = (
                links(host.inputs[name], host.left[name]) if last else host.left[name]
                for name, last in zip(piece.names, piece.asked_last, strict=True)
            )
            written = (*(values[slot] for slot in piece.writes), *kept)
            broken = frozenset(host.broken)
            if (written, broken) not in known:
                known.add((written, broken))
                yield _Outcome(written, broken, host.chosen)


def links(item: BelievedInput, left: SlicePairs) -> Links:
    """What an input's pairs lead from and to."""
    return frozenset((pair[0], item.after(left.mode, pair)[0]) for pair in left.pairs)


def _getter(places: Sequence[int]) -> Callable[[Course], Course]:
    """The values at these places, as a tuple however many there are."""
    if len(places) > 1:
        return itemgetter(*places)
    if places:
        only = places[0]
        return lambda course: (course[only],)
    return lambda course: ()
