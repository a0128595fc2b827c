"""What can happen under which fault: asked of all faults in one search over sets, then one by one.

All faults at once make many sets, and a run that has to count to something may not be found among them. So
a fault of which something is left open is searched for by itself, in the same checker: every fault has a
switch that allows it (``parametric_checker``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path as FilePath

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.sim_io.faults.fault_list import Fault

from ..exploration.parametric_checker import allowance, with_allowances
from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Path, Replay
from ..symbolic.explored import SetExploration
from ..symbolic.fault_graph import FaultSearch
from ..symbolic.known_runs import NamedRun, found_after, in_another_loop
from ..symbolic.search import build_symbolic
from ..symbolic.set_answers import Answers, SetAnswer, answers_of
from ..symbolic.step.emit_step import step_source

Switches = Mapping[str, int]
"""Whether each fault was allowed on a run, by its switch."""


@dataclass(frozen=True)
class FaultAnswers:
    """What is known of events under faults.

    Attributes:
        exploration: what the search of all faults came to.
        answers: by event.
        ticks: of those that happen, of a run that shows it.
        runs: of those, the run as a story tells it, where it was wanted and there was time.
    """

    exploration: SetExploration
    answers: Mapping[str, SetAnswer]
    ticks: Mapping[str, int]
    runs: Mapping[str, Replay]


class AskedByFault:
    """A loop with faults, asked what happens under each.

    Args:
        loop: as sets need it.
        events: what is asked, each with the fault under which it is (``emit_step.under``).
        met: is shown each run as it is found, with the faults allowed on it.
        wanted: whether it is still to be found out whether something happens.
        told: runs are replayed, for stories.
        seeds: runs of the machine without faults; where a fault by itself leaves something open, it is looked
            for after these, too.
    """

    def __init__(
        self,
        loop: ClosedLoop,
        events: Mapping[str, Fault],
        *,
        met: Callable[[str, Path, Switches], None] = lambda name, path, switches: None,
        wanted: Callable[[str], bool] = lambda name: True,
        told: bool = False,
        seeds: Callable[[Effort], Sequence[NamedRun]] = lambda effort: (),
    ) -> None:
        self.loop = with_allowances(loop)
        self.events = events
        self.met, self.wanted, self.told = met, wanted, told
        self._seeds = seeds
        self._known: Sequence[NamedRun] | None = None
        self.answers = dict.fromkeys(events, SetAnswer.UNKNOWN)
        self.ticks: dict[str, int] = {}
        self.runs: dict[str, Replay] = {}

    def ask(self, effort: Effort, then: Callable[[FaultSearch], None] = lambda search: None) -> FaultAnswers:
        """What is found out within an effort, and until Ctrl-C once all faults were searched for.

        Args:
            then: is given the search of all faults when it has been run.

        Raises:
            OutOfTime: if the effort is over before that search began.
            ToolMissing: if there is no C compiler.
        """
        library = build_symbolic(step_source(self.loop, by_fault=True), effort)
        every = [fault.number for fault in self.loop.faults]
        exploration = self._search(every, list(self.events), effort, library, then)
        left: dict[int, list[str]] = {}
        for event, fault in self.events.items():
            if self._open(event):
                left.setdefault(fault.number, []).append(event)
        for done, (number, events) in enumerate(left.items()):
            if effort.over:
                break
            try:
                self._search([number], events, effort.part(len(left) - done), library)
            except OutOfTime:
                continue
            except KeyboardInterrupt:  # what is known by then stays known
                effort.stop.set()
        return FaultAnswers(exploration, self.answers, self.ticks, self.runs)

    def _open(self, event: str) -> bool:
        return self.answers[event] is SetAnswer.UNKNOWN and self.wanted(event)

    def _search(
        self,
        faults: list[int],
        events: list[str],
        effort: Effort,
        library: FilePath,
        then: Callable[[FaultSearch], None] = lambda search: None,
    ) -> SetExploration:
        switches = {allowance(fault.number): int(fault.number in faults) for fault in self.loop.faults}
        with FaultSearch(
            self.loop, by_fault=True, switches=switches, effort=effort, library=library
        ) as search:
            exploration = search.run()
            then(search)
            found = answers_of(
                search, events, exhausted=exploration.exhausted, effort=effort, singly=len(faults) == 1,
                met=lambda name, path: self.met(name, path, switches), told=self.wanted,
            )  # fmt: skip
            if len(faults) == 1:
                self._look_further(search, found, effort)
        said = {name: answer for name, answer in found.answers.items() if answer is not SetAnswer.UNKNOWN}
        self.answers |= said
        self.ticks |= found.ticks
        if self.told:
            self.runs |= found.replayed(self.loop, effort, switches)
        return exploration

    def _look_further(self, search: FaultSearch, found: Answers, effort: Effort) -> None:
        reported = search.reported()
        left = [
            name
            for name, said in found.answers.items()
            if said is SetAnswer.UNKNOWN and name in reported and self.wanted(name)
        ]
        if not left or effort.over:
            return
        with suppress(OutOfTime):
            if self._known is None:
                self._known = self._seeds(effort)
            search.effort = effort
            shown = found_after(search, left, map(in_another_loop, self._known))
            found.add(shown)
            for name, item in shown.items():
                if item.path is not None:
                    self.met(name, item.path, search.switches)
