"""A second opinion as text and as JSON."""

from __future__ import annotations

from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.analyses.cross_check import CrossCheck, CrossCheckRow
from stillgate.interlocks.proofs.solver import INDUCTION, RANKS, REPLAY
from stillgate.interlocks.results.verdict import Word

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import CAUTION, count_words, fault_words, verdict_words
from ..check.check_json import story_document
from ..check.story_text import write_story
from ..check.verdict_table import STYLES
from ..exchange.schema_words import (
    DRAFT,
    STORY,
    TICK_CAUTION,
    WORD,
    Schema,
    closed,
    many,
    number,
    perhaps,
    text,
    truth,
    whole,
)

FORMAT = "stillgate confirm 1"
"""Changes when a field changes its meaning or goes away; new fields do not change it."""

CONFIRM: Schema = {
    "$schema": DRAFT,
    **closed(
        "A second opinion on every requirement.",
        format=text("Name and version of this format.", FORMAT),
        machine=text("Name of the machine."),
        file=text("The machine file, as it was given."),
        digest=text("SHA-256 of the machine file."),
        version=text("Version of Stillgate."),
        prover=text("Name and version of the solver."),
        tick=whole("Period of the step in ms."),
        scan=whole("Period of the controller in ms."),
        tick_caution=TICK_CAUTION,
        faults=whole("How many faults may happen at most."),
        opinions=many(
            "Verdicts, by requirement, then by number of faults.",
            closed(
                "A verdict.",
                name=text("The requirement."),
                pattern=text("Its pattern."),
                faults=whole("How many faults may happen."),
                counts=truth("Whether it must withstand so many faults."),
                method=text("How the verdict was found."),
                verdict=text("What this method says.", *WORD),
                depth=perhaps(whole("Ticks of a way or of the longest rank; frames of a proof.")),
                seconds=number("How long it took in s."),
                explored=perhaps(text("What the exploration says; null if it was not asked.", *WORD)),
                agrees=perhaps(truth("Whether both say the same; null if one is undecided.")),
                reason=text("Why it is undecided; empty if it is not."),
                story=perhaps(STORY),
            ),
        ),
        clauses=many("Clauses of the invariant that proves what holds, by faults.", whole("Clauses.")),
        seconds=number("How long everything took in s."),
        interrupted=truth("Whether Ctrl-C ended it."),
        caution=text("What this is not."),
    ),
}

AGREES = {True: "agrees", False: "CONTRADICTS", None: "-"}
DEPTHS = {INDUCTION: "k = {}", REPLAY: "{} ticks", RANKS: "at most {} ticks"}
"""What the depth of a verdict is, by its method."""


def cross_check_document(result: CrossCheck, file: str) -> dict[str, Any]:
    """The JSON document of a second opinion."""
    return {
        "format": FORMAT,
        "machine": result.machine,
        "file": file,
        "digest": result.digest,
        "version": result.version,
        "prover": result.prover,
        "tick": result.tick,
        "scan": result.scan,
        "tick_caution": result.tick_caution,
        "faults": result.faults,
        "opinions": [
            {
                "name": item.name,
                "pattern": item.pattern,
                "faults": item.faults,
                "counts": item.counts,
                "method": item.method,
                "verdict": item.verdict.value,
                "depth": item.depth,
                "seconds": round(item.seconds, 3),
                "explored": None if item.explored is None else item.explored.value,
                "agrees": item.agrees,
                "reason": item.reason,
                "story": None if item.story is None else story_document(item.story),
            }
            for item in result.opinions
        ],
        "clauses": list(result.clauses),
        "seconds": round(result.seconds, 3),
        "interrupted": result.interrupted,
        "caution": CAUTION,
    }


def write_cross_check(console: Console, result: CrossCheck, file: str) -> None:
    """Prints a second opinion.

    Args:
        file: name of the machine file as the user gave it.
    """
    say_unbroken(console, f"{result.machine} ({file}): second opinion by {result.prover}", style="bold")
    tick = f"at a tick of {format_duration(result.tick)}"
    budget = f"up to {fault_words(result.faults)}" if result.faults else "without faults"
    say(console, f"{count_words(len(result.opinions), 'verdict')} {tick}, {budget}")
    say(console, "")
    console.print(_table(console, result))
    say(console, "")
    say(console, _total(result), style="bold red" if result.disagreements else "")
    if result.tick_caution:
        say(console, f"{result.tick_caution} Both methods were asked at this tick.")
    proved = "holds" if result.tick == result.scan else f"is not broken at {format_duration(result.tick)}"
    for count, clauses in enumerate(result.clauses):
        if clauses:
            say(
                console,
                f"With {fault_words(count)}, one invariant of {count_words(clauses, 'clause')} proves what"
                f" {proved} by induction; it was checked again by itself.",
            )
    if result.disagreements:
        _contradictions(console, result)
    else:
        for item in result.opinions:
            if item.verdict is Word.BROKEN and item.story is not None:
                must = "" if item.counts else "  (need not withstand it)"
                section(console, f"BROKEN  {item.name} with {fault_words(item.faults)}{must}")
                write_story(console, item.story)
    if result.undecided:
        section(console, "Undecided")
        for item in result.undecided:
            bullet(console, f"{item.name} with {fault_words(item.faults)}: {item.reason}")
    say(console, "")
    say(
        console,
        "Both methods read the same file and make the same assumptions about the machine (stillgate check"
        " prints them): a mistake in those is confirmed by both.",
    )
    say(console, CAUTION.replace("assumptions above", "same assumptions"))


def _table(console: Console, result: CrossCheck) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    names = max(len(item.name) for item in result.opinions)
    table.add_column("requirement", overflow="fold", min_width=min(names, console.width // 3))
    for title in ("faults", "z3 says", "how", "exploration"):
        table.add_column(title, overflow="fold", min_width=len(title))
    for item in result.opinions:
        style = STYLES[item.verdict] if item.counts else "dim"
        table.add_row(
            Text(item.name),
            Text(fault_words(item.faults)),
            Text(verdict_words(item.verdict, result.tick, result.scan), style=style),
            Text(_how(item)),
            Text(_exploration(item, result), style="bold red" if item.agrees is False else ""),
        )
    return table


def _exploration(item: CrossCheckRow, result: CrossCheck) -> str:
    if item.explored is None or item.agrees is True:
        return AGREES[item.agrees]
    said = verdict_words(item.explored, result.tick, result.scan)
    return f"{AGREES[item.agrees]}: {said}" if item.agrees is False else said


def _how(item: CrossCheckRow) -> str:
    if item.verdict is Word.UNDECIDED:
        return f"tried for {item.seconds:.1f} s"
    return f"{item.method}, {DEPTHS[item.method].format(item.depth)}, {item.seconds:.1f} s"


def _total(result: CrossCheck) -> str:
    agreed = sum(item.agrees is True for item in result.opinions)
    parts = [
        f"{count_words(agreed, 'verdict')} {'agrees' if agreed == 1 else 'agree'} with the exploration",
        f"{len(result.disagreements)} contradict" if result.disagreements else "none contradicts",
        f"{len(result.undecided)} undecided",
    ]
    if all(item.explored is None for item in result.opinions):
        parts = ["not compared with the exploration", parts[2]]
    return f"{', '.join(parts)}, in {result.seconds:.0f} s"


def _contradictions(console: Console, result: CrossCheck) -> None:
    """Both sides of every contradiction, as loud as text can be."""
    section(console, "THE TWO METHODS CONTRADICT EACH OTHER", style="bold red")
    say(
        console,
        "One of them is wrong, which is a fault of the program, not of your file. Rely on no verdict for"
        " this machine until it is put right, and please report it with the machine file.",
    )
    for item in result.disagreements:
        assert item.explored is not None
        section(console, f"{item.name} with {fault_words(item.faults)}", style="bold red")
        say(console, f"z3: {item.verdict.value} ({_how(item)})", indent=2)
        if item.story is not None:
            write_story(console, item.story)
        say(console, f"exploration: {item.explored.value}", indent=2)
        if item.explored_story is not None:
            write_story(console, item.explored_story)
