"""A story or a trace as a table: when, what changed and who changed it, states, outputs on."""

from __future__ import annotations

import re
from collections.abc import Iterable

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from stillgate.controller.expressions.durations import format_moments
from stillgate.interlocks.results.verdict import Story, StoryStep

from ...console.prose import say, stacked
from ...console.words import change_words, who_words

NAME = re.compile(r"\w+\.\w+")

PLURAL = {"goes": "go", "opens": "open", "closes": "close"}


def write_story(console: Console, story: Story, about: str = "") -> None:
    """Prints how a requirement breaks, for a technician.

    Args:
        about: the requirement in words, where it stands above: it is not said again, and if it names truths
            of parts, only those are told at the end.
    """
    if story.start:
        stood = ", ".join(f"{part} {place}" for part, place in story.start.items())
        say(console, f"At power-on: {stood}.", indent=2)
    console.print(Padding(steps_table(story.steps), (1, 0, 0, 2)))
    say(console, story.headline.removesuffix(f" ({about})"), indent=2)
    true = [name for name, value in story.recording[-1].instant.truths.items() if value]
    named = set(NAME.findall(about))
    true = [name for name in true if name in named] or true
    if true:
        say(console, f"True of the parts at the end: {', '.join(true)}.", indent=2)


def steps_table(steps: Iterable[StoryStep]) -> Table:
    """What changed, when and by whom, with the states that are new and the outputs on."""
    steps = list(steps)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    table.add_column("time", justify="right", no_wrap=True)
    table.add_column("what changed", ratio=5, overflow="fold")
    table.add_column("states", ratio=3, overflow="fold")
    table.add_column("outputs on", ratio=3, overflow="fold")
    before: StoryStep | None = None
    for step, clock in zip(steps, format_moments([step.time for step in steps]), strict=True):
        outputs = stacked(step.on_outputs) if step.on_outputs else Text("none", style="dim")
        table.add_row(clock, _changes(step), _states(before, step), outputs)
        before = step
    return table


def _changes(step: StoryStep) -> Text:
    """One line for all that the same hand changed in the same way."""
    if not step.changes:
        return Text("at rest" if step.tick == 0 else "time passes", style="dim")
    alike: dict[tuple[str, str], list[str]] = {}
    for change in step.changes:
        way = change_words(change).removeprefix(change.name)
        alike.setdefault((who_words(change), way), []).append(change.name)
    return stacked(f"{who}: {_joined(names, way)}" for (who, way), names in alike.items())


def _joined(names: list[str], way: str) -> str:
    """``drive_oil, cutter_on go off``."""
    first, *rest = way.split(" ", 2)[1:] or [""]
    if len(names) > 1 and first in PLURAL:
        way = " ".join(["", PLURAL[first], *rest])
    return f"{', '.join(names)}{way}"


def _states(before: StoryStep | None, step: StoryStep) -> Text:
    """Active states in the first row, later those that changed; a quotation mark for 'as above'."""
    old = set(before.states) if before is not None else set()
    changed = [f"{sequence} {state}" for sequence, state in step.states if (sequence, state) not in old]
    return stacked(changed) if changed else Text('"', style="dim")
