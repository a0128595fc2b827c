"""Proves a requirement fault by fault: a loop in which few faults may begin is a smaller question.

The faults are taken in groups. A loop in which only a group's faults may begin (or none) is asked
the question; if it is not answered in time the group is halved, down to single faults. At most
one fault happens, and it stays, so the proofs join: a group's invariant is said of situations
without a fault or with one of the group, and together these are an invariant of the whole loop.
It is checked again as one, like every other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from stillgate.controller.effort import Effort, OutOfTime

from .cubes import Bound, Cube, Relation
from .formulas import Formula
from .ic3 import Proof, Prover, SymbolicRun
from .inductive_check import carried_over, inductive_families
from .transition_system import LoopFormula

Group = tuple[int, ...]
"""Numbers of faults."""

PATIENCE = 5.0
"""Seconds for a group of more than one fault before it is halved."""


@dataclass
class _Part:
    """The loop in which only a group's faults may begin, and what is known never to be entered in it."""

    formula: LoopFormula
    known: list[Cube]


@dataclass
class ByFault:
    """Proofs by groups of faults, shared by all questions about one loop.

    Attributes:
        whole: the loop in which any fault may begin.
        healthy: an invariant of the loop without faults, with its formulas.
        known: cubes that the whole loop is known never to enter; it grows while questions are asked.
    """

    whole: LoopFormula
    healthy: tuple[Sequence[Cube], LoopFormula]
    known: list[Cube]
    say: Callable[[str], None] | None = None
    parts: dict[Group, _Part] = field(default_factory=dict)
    groups: list[Group] = field(default_factory=list)

    def prove(
        self, question: Callable[[LoopFormula], Formula], effort: Effort | None = None
    ) -> Proof | SymbolicRun:
        """An invariant of the whole loop in which the question never happens, or a way to it.

        Args:
            question: the condition on a step, in a loop's own formulas.
            effort: where to give up.

        Raises:
            OutOfTime: if the effort is over.
        """
        given = effort or Effort()
        open_ = list(self.groups) or [tuple(item.number for item in self.whole.loop.faults)]
        done: list[Group] = []
        frames = 0
        while open_:
            self.groups = [*done, *open_]  # out of time, the next question begins with these
            group = open_.pop(0)
            if self.say is not None:
                self.say(f"{len(group)} faults of {len(self.whole.loop.faults)}, {len(done)} groups done")
            answer = self._ask(group, question, given)
            if answer is None:
                half = len(group) // 2
                open_[:0] = [group[:half], group[half:]]
                continue
            if isinstance(answer, SymbolicRun):
                return answer
            frames = max(frames, answer.frames)
            done.append(group)
        self.groups = done
        known = set(self.known)
        joined = dict.fromkeys(cube for group in done for cube in self._joined(group, known))
        return Proof(tuple(joined), frames)

    def _ask(
        self, group: Group, question: Callable[[LoopFormula], Formula], effort: Effort
    ) -> Proof | SymbolicRun | None:
        """The answer of a group; None if it is to be halved.

        Raises:
            OutOfTime: if the effort is over.
        """
        part = self._part(group, effort)
        given = effort.within(PATIENCE if len(group) > 1 else None)
        try:
            answer = Prover(part.formula, question(part.formula), part.known).run(given)
        except OutOfTime:
            if len(group) == 1 or effort.over:
                raise
            return None
        if isinstance(answer, Proof):
            part.known += answer.invariant
        return answer

    def _part(self, group: Group, effort: Effort) -> _Part:
        found = self.parts.get(group)
        if found is None:
            formula = self.whole.with_only(group)
            others = (Bound(self._fault, Relation.OTHER_THAN, number) for number in (0, *group))
            larger = next((item.known for g, item in self.parts.items() if set(group) < set(g)), [])
            # With fewer faults what is inductive stays so, and more of what holds without one is.
            known = dict.fromkeys((tuple(others), *self.known, *larger))
            cubes, of = self.healthy
            more = [(cube,) for cube in carried_over(cubes, of, formula) if cube not in known]
            for (cube,) in inductive_families(formula, more, known, effort=effort):
                known[cube] = None
            found = self.parts[group] = _Part(formula, list(known))
        return found

    def _joined(self, group: Group, known: set[Cube]) -> Iterable[Cube]:
        """A group's cubes that the whole loop lacks, said of no fault or of one of the group's."""
        others = (item.number for item in self.whole.loop.faults if item.number not in group)
        guard = tuple(Bound(self._fault, Relation.OTHER_THAN, number) for number in others)
        for cube in self.parts[group].known[1:]:
            if cube not in known:
                yield tuple(dict.fromkeys((*cube, *guard)))

    @property
    def _fault(self) -> int:
        return self.whole.position[self.whole.loop.fault]
