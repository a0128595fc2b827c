"""What a search says of requirements, counters and dead ends: judgements and findings, with stories."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Reach, Requirement
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.search import Break, Search
from ..loop.counterexample import Replay, tell
from ..loop.obligation_window import waiting_window
from ..results.requirement_text import sentence_of
from ..results.verdict import Exploration, Finding, FindingKind, Judgement, Story, Word
from ..symbolic.from_anywhere import Ways, WaysToGoal

NO_STORY = "the time was over before its story was rebuilt"
"""Said of a break that is known and has no story."""


def judgement_of(
    exploration: Exploration, name: str, requirement: Requirement, found: Break | None
) -> Judgement:
    """What a search says of a requirement; ``found`` is the least shortest break, if there is one."""
    if found is None:
        return unbroken(exploration)
    faults, tick, run = exploration.faults, exploration.tick, found.run
    if run is None:
        reason = f"broken {format_duration((found.ticks - 1) * tick)} after power-on; {NO_STORY}"
        return Judgement(Word.BROKEN, faults, tick, found.ticks, reason=reason)
    story = tell(run, _headline(name, sentence_of(requirement), run))
    story = replace(story, window=waiting_window(run, name, requirement))
    return Judgement(Word.BROKEN, faults, tick, story.ticks, story)


def unbroken(exploration: Exploration) -> Judgement:
    """What a search says of what it did not see: that it holds, or how far it came."""
    if exploration.exhausted:
        return Judgement(Word.HOLDS, exploration.faults, exploration.tick)
    if not exploration.states:
        reason = f"stopped by {exploration.stopped_by} before a situation was looked at"
        return Judgement(Word.UNDECIDED, exploration.faults, exploration.tick, 0, reason=reason)
    reason = (
        f"stopped by {exploration.stopped_by}: nothing broke within {exploration.depth} "
        f"tick{'s' * (exploration.depth != 1)}, {exploration.states} state{'s' * (exploration.states != 1)}"
    )
    return Judgement(Word.UNDECIDED, exploration.faults, exploration.tick, exploration.depth, reason=reason)


def _headline(name: str, sentence: str, run: Replay) -> str:
    last = run.ticks[-1].values
    under = ""
    if last["fault"]:
        under = ", with one fault: " + next(f.name for f in run.loop.faults if f.number == last["fault"])
    at = format_duration((len(run.ticks) - 1) * run.loop.tick)
    return f"{name} is broken {at} after power-on{under} ({sentence})"


def possibility(
    search: Search,
    exploration: Exploration,
    name: str,
    requirement: Reach | FromAnywhere,
    on_whole: Callable[[Replay], Replay | None],
) -> Judgement:
    """What a search without faults says of something that must be possible.

    Args:
        on_whole: gives a run as the whole machine does it; None if the time is over.
    """
    tick = exploration.tick
    if isinstance(requirement, Reach):
        depth = search.goal_depth(name)
        if depth is not None:
            return Judgement(Word.HOLDS, 0, tick, depth)
        if exploration.exhausted:
            return Judgement(Word.BROKEN, 0, tick, reason="no reachable situation is like that")
        return unbroken(exploration)
    if not exploration.exhausted:
        return unbroken(exploration)
    lost = search.cut_off(name)
    if lost is None:
        return Judgement(Word.HOLDS, 0, tick)
    if not lost.states:
        return Judgement(Word.UNDECIDED, 0, tick, reason="stopped before every situation was judged")
    reason = f"{lost.states} situations have no way there"
    if lost.run is None and not lost.depth:  # at power-on already, so there is nothing to tell
        return Judgement(Word.BROKEN, 0, tick, 0, reason=f"{reason}, the one at power-on included")
    run = None if lost.run is None else on_whole(lost.run)
    if run is None:
        return Judgement(Word.BROKEN, 0, tick, lost.depth, reason=f"{reason}; {NO_STORY}")
    story = tell(run, _headline_of_lost(name, requirement, lost.depth * tick))
    return Judgement(Word.BROKEN, 0, tick, lost.depth, story, reason)


def _headline_of_lost(name: str, requirement: FromAnywhere, after: Milliseconds) -> str:
    return (
        f"{name} is broken: {format_duration(after)} after power-on no way leads to "
        f"{requirement.from_anywhere.text} any more"
    )


def kept_possible(
    found: WaysToGoal | None, name: str, requirement: FromAnywhere, tick: Milliseconds
) -> Judgement | None:
    """What sets of times say of something that must stay possible; None if nothing."""
    if found is None or found.ways is Ways.UNKNOWN:
        return None
    if found.ways is Ways.EVERYWHERE:
        return Judgement(Word.HOLDS, 0, tick)
    reason = f"all that can follow lies in sets of situations without a way there ({found.sets})"
    if not found.depth:
        return Judgement(Word.BROKEN, 0, tick, 0, reason=f"{reason}, from power-on on")
    if found.run is None:
        return Judgement(Word.BROKEN, 0, tick, found.depth, reason=f"{reason}; {NO_STORY}")
    story = tell(found.run, _headline_of_lost(name, requirement, found.depth * tick))
    return Judgement(Word.BROKEN, 0, tick, found.depth, story, reason)


def bounds_finding(document: MachineDocument, name: str, found: Break, faults: int) -> Finding:
    """A counter that is asked to leave its range."""
    line, column = document.place(("memory", name))
    text = f"{name} is asked to leave {document.machine.memory[name].range} and keeps its value"
    story = None if found.run is None else tell(found.run, _headline(name, text, found.run))
    return Finding(FindingKind.BOUNDS, name, text, line, column, story, breaks=not faults)


def deadlock_finding(document: MachineDocument, search: Search) -> list[Finding]:
    """Situations that nothing leads out of, if there are any."""
    stuck = search.stuck()
    if stuck is None:
        return []
    story: Story | None = (
        tell(stuck.run, "from here nothing changes any more, whatever the inputs do") if stuck.run else None
    )
    states = dict(story.steps[-1].states) if story and story.steps else stuck.start_states
    where = ", ".join(f"{name}.{state}" for name, state in states.items())
    line, column = document.place(("sequences",))
    text = f"{stuck.states} situations lead nowhere any more, the first in {where}"
    if stuck.states == 1:
        text = f"one situation leads nowhere any more: {where}"
    return [Finding(FindingKind.DEADLOCK, where, text, line, column, story)]
