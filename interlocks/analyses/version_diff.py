"""Two versions of a machine file: what changed, which verdicts, and whether the outputs ever differ.

Both controllers run in one closed loop (``self_composition``): the old one drives the parts, both read
the same circuits. The search looks for the first instant at which an output that both have is asked for
by one and not by the other. Found, the shortest sequence that leads there is told; not found in a search
that went to its end, there is none within the old version's parts, without faults. Until a first
difference both would have moved the parts alike, so it does not matter which of them drives. Where single
situations are too many, sets of times are asked (``staged_search``).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import Binary, Expression, Name, Operator, Span, canonical
from stillgate.controller.machine_file.field_types import Condition, Milliseconds
from stillgate.controller.machine_file.machine import CheckOptions, Machine, Never
from stillgate.controller.reading.reader import MachineDocument

from ..checking.assumptions import NO_FAULTS, assumptions_of
from ..checking.judgements import NO_STORY
from ..checking.staged_search import WhatBroke, what_breaks
from ..exploration.explorer import Progress
from ..exploration.search import build_checker
from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.counterexample import Replay, tell
from ..results.comparison import Comparison, VerdictChange
from ..results.instant import Stretch
from ..results.ticks import chosen_tick
from ..results.verdict import CheckResult, Exploration, RequirementVerdict, Story, Word, tick_caution
from .file_diff import file_changes
from .self_composition import PREFIX, first_name, second, side_by_side

_NOWHERE = Span(0, 0)

SAME = "same_outputs"
"""The requirement that the outputs of both never differ."""


def compare(
    old: MachineDocument,
    new: MachineDocument,
    results: tuple[CheckResult, CheckResult],
    *,
    tick: Milliseconds | None = None,
    effort: Effort | None = None,
    progress: Callable[[Progress], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> Comparison:
    """Compares two versions of a machine file.

    Args:
        results: the check of each, for the verdicts.
        tick: period of the comparison in ms; default the old file's for its check, else its scan.
        effort: of the search for a difference.
        progress: called a few times a second while it runs.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    began = time.monotonic()
    period = chosen_tick(old.machine, tick)
    chosen_tick(new.machine, period)
    given = effort or Effort()
    both, outputs = _both(old.machine, new.machine)
    few = all(search.exhausted for item in results for search in item.exploration[:1])
    loop = close_loop(both, tick=period, faults=0, possibility=False)
    searched = _searched(loop, given, progress, on_slow_build, few=few) if outputs else None
    found = None if searched is None else searched.breaks.get(SAME)
    run = None if found is None else found.run
    differing = () if run is None else _differing(run, outputs)
    return Comparison(
        old=str(old.path),
        new=str(new.path),
        old_digest=old.digest,
        new_digest=new.digest,
        changes=file_changes(old, new),
        verdicts=tuple(_verdicts(*results)),
        outputs=_word(searched).at(period, old.machine.scan).at(period, new.machine.scan),
        outputs_text=_text(
            old.machine,
            new.machine,
            searched=searched,
            tick=period,
            differing=differing,
        ),
        difference=None if run is None else _story(run, differing),
        differing=differing,
        exploration=None if searched is None else searched.exploration,
        assumptions=_assumptions(old.machine, new.machine, period),
        seconds=time.monotonic() - began,
        tick_caution=_tick_caution(old.machine, new.machine, period, results),
    )


def _both(old: Machine, new: Machine) -> tuple[Machine, list[str]]:
    """The machine with both controllers and the requirement that their common outputs never differ."""
    own = [
        name
        for name, item in new.inputs.items()
        if name not in old.inputs or old.inputs[name].debounce != item.debounce
    ]
    sensed = {name for part in old.parts.values() for name in part.senses}
    hung = [name for name in own if name in old.inputs and name not in sensed]
    outputs = [name for name in old.outputs if name in new.outputs]
    both = side_by_side(old, new, own=own, parts=hung)
    tree: Expression | None = None
    for name in outputs:
        names = (Name(f"asked.{name}", _NOWHERE), Name(f"asked.{second(name)}", _NOWHERE))
        differs = Binary(Operator.XOR, *names, _NOWHERE)
        tree = differs if tree is None else Binary(Operator.OR, tree, differs, _NOWHERE)
    requirements = {}
    if tree is not None:
        requirements[SAME] = Never.model_construct(never=Condition(canonical(tree), tree))
    return both.model_copy(update={"requirements": requirements, "check": CheckOptions()}), outputs


def _searched(
    loop: ClosedLoop,
    effort: Effort,
    progress: Callable[[Progress], None] | None,
    on_slow_build: Callable[[], None] | None,
    *,
    few: bool,
) -> WhatBroke:
    """Whether the outputs ever differ, and how."""
    try:
        library = build_checker(loop, on_slow_build, effort)
        return what_breaks(loop, [SAME], effort, few=few, library=library, progress=progress)
    except (OutOfTime, KeyboardInterrupt):  # while a checker was built
        return WhatBroke(Exploration.not_run(0, loop.tick, effort.ended_by), {}, frozenset({SAME}))


def _differing(run: Replay, outputs: list[str]) -> tuple[str, ...]:
    last = run.ticks[-1].values
    return tuple(name for name in outputs if last[f"{name}.asked"] != last[f"{second(name)}.asked"])


def _word(searched: WhatBroke | None) -> Word:
    if searched is None or searched.open:
        return Word.UNDECIDED
    return Word.BROKEN if searched.breaks else Word.HOLDS


def _text(
    old: Machine,
    new: Machine,
    *,
    searched: WhatBroke | None,
    tick: Milliseconds,
    differing: tuple[str, ...],
) -> str:
    if searched is None:
        return "the two versions have no output in common, so there is nothing to hold side by side"
    alone = [*(name for name in old.outputs if name not in new.outputs)]
    alone += [name for name in new.outputs if name not in old.outputs]
    left_out = f"; not compared, since one version only has them: {', '.join(alone)}" if alone else ""
    exploration = searched.exploration
    found = searched.breaks.get(SAME)
    if found is not None:
        at = format_duration((found.ticks - 1) * tick)
        if found.run is None:
            return f"the outputs differ {at} after power-on; {NO_STORY}{left_out}"
        last = found.run.ticks[-1].values
        said = ", ".join(
            f"{name} is {'on' if last[f'{name}.asked'] else 'off'} in the old version and "
            f"{'on' if last[f'{second(name)}.asked'] else 'off'} in the new one"
            for name in differing
        )
        # A run that sets of times found need not be the shortest.
        first = "for the first time " if exploration.sets is None else ""
        last_word = " at the earliest" if exploration.sets is None else ", perhaps earlier"
        return f"the outputs differ {first}{at} after power-on{last_word}: {said}{left_out}"
    if not searched.open:
        at = "" if tick == old.scan == new.scan else f" at {format_duration(tick)}"
        many = f"{exploration.states} situations, all there are"
        if exploration.sets is not None:
            many = f"{exploration.sets.sets} sets of times hold every situation"
        return (
            f"the outputs are the same{at} after every sequence of inputs, within the same parts and without "
            f"faults ({many}){left_out}"
        )
    return (
        f"undecided: stopped by the {exploration.stopped_by} after {exploration.states} situations; no "
        f"difference within {format_duration(exploration.depth * tick)} of power-on{left_out}"
    )


def _verdicts(old: CheckResult, new: CheckResult) -> list[VerdictChange]:
    before = {item.name: item for item in old.requirements}
    after = {item.name: item for item in new.requirements}
    found: list[VerdictChange] = []
    for name in dict.fromkeys((*before, *after)):
        one, other = before.get(name), after.get(name)
        was, now = (None if item is None else item.verdict for item in (one, other))
        if was is not now:
            found.append(VerdictChange(name, was, now, _broken_story(other) or _broken_story(one)))
    return found


def _broken_story(item: RequirementVerdict | None) -> Story | None:
    return item.story if item is not None and item.verdict is Word.BROKEN else None


def _story(run: Replay, differing: tuple[str, ...]) -> Story:
    """The story with the names of the second controller as people say them."""
    story = tell(run, f"the outputs differ: {', '.join(differing)}")
    steps = tuple(
        replace(
            step,
            changes=tuple(
                replace(change, name=_spoken(change.name))
                for change in step.changes
                if not change.name.startswith("free__")
            ),
            on_outputs=tuple(_spoken(name) for name in step.on_outputs),
            states=tuple((_spoken(name), state) for name, state in step.states),
        )
        for step in story.steps
    )
    return replace(story, steps=steps, recording=tuple(_renamed(item) for item in story.recording))


def _renamed(item: Stretch) -> Stretch:
    """Without the parts that were made for the comparison."""
    given = item.instant
    parts = {name: place for name, place in given.parts.items() if not name.startswith("free__")}
    # An input and its twin are one circuit; an input of the new version only goes by its own name.
    circuits = {first_name(name): level for name, level in reversed([*given.circuits.items()])}
    return replace(item, instant=replace(given, parts=parts, circuits=circuits))


def _spoken(name: str) -> str:
    return f"new {name.removeprefix(PREFIX)}" if name.startswith(PREFIX) else name


def _tick_caution(
    old: Machine, new: Machine, tick: Milliseconds, results: tuple[CheckResult, CheckResult]
) -> str:
    """Of the outputs and of both files' verdicts, each once."""
    cautions = (
        tick_caution(tick, old.scan),
        tick_caution(tick, new.scan),
        *(item.tick_caution for item in results),
    )
    return " ".join(dict.fromkeys(text for text in cautions if text))


def _assumptions(old: Machine, new: Machine, tick: Milliseconds) -> tuple[str, ...]:
    found = ["The old version drives the parts; both read the same circuits. Without faults."]
    if old.parts != new.parts:
        found.append("The parts of the two versions differ; compared within those of the old one.")
    if old.scan != new.scan:
        found.append("The two versions have different scans; compared with one tick for both.")
    extra = [name for name in new.inputs if name not in old.inputs]
    if extra:
        found.append(f"Inputs of the new version only, free at every tick here: {', '.join(extra)}.")
    both = [item for item in assumptions_of(old, tick, 0) if item != NO_FAULTS]
    said = (
        "Outputs are compared without faults; each verdict is that under the faults that its requirement "
        "must withstand."
    )
    return (*found, *both, said)
