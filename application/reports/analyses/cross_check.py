"""A second opinion as text and as JSON."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.text import Text

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.analyses.cross_check import CrossCheck, CrossCheckRow
from stillgate.interlocks.proofs.solver import INDUCTION, RANKS, REPLAY
from stillgate.interlocks.results.verdict import Word

from ...console.answers import at_a_tick, write_answer
from ...console.columns import aligned
from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import CAUTION, MOST_NAMED, count_words, fault_words, listed
from ..check.check_json import story_document
from ..check.story_text import write_story
from ..check.verdict_table import NOT_REQUIRED, STYLES
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
HOW = {INDUCTION: "induction, k = {}", REPLAY: "replayed, {}", RANKS: "ranks, at most {}"}
"""How a verdict was found, by its method, with its depth."""

LONG = 10
"""Seconds from which on it is said how long a verdict took."""


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
    _answer(console, result)
    tick = f"at {'the scan' if result.tick == result.scan else 'a tick'} of {format_duration(result.tick)}"
    budget = f"up to {fault_words(result.faults)}" if result.faults else "without faults"
    say_unbroken(console, f"{file}, {tick}, {budget}, by {result.prover}")
    say(console, "")
    console.print(_table(console, result), soft_wrap=True)
    say(console, "")
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
        _breaks(console, result)
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


def _answer(console: Console, result: CrossCheck) -> None:
    """What the proofs say of what must hold, and whether the exploration says the same."""
    if result.disagreements:
        about = (
            f"{result.machine}: {len(result.disagreements)} of {len(result.opinions)} verdicts; rely on none"
        )
        write_answer(console, "CONTRADICTION", about, style="bold red")
    else:
        counted = [item for item in result.opinions if item.counts]
        names = list(dict.fromkeys(item.name for item in counted))
        word, about = Word.HOLDS, f"all {count_words(len(names), 'requirement')} that it was asked about"
        for bad in (Word.NOT_BROKEN, Word.UNDECIDED, Word.BROKEN):
            if missing := list(dict.fromkeys(item.name for item in counted if item.verdict is bad)):
                word = bad
                about = f"{len(missing)} of {len(names)} requirements: {listed(missing, MOST_NAMED)}"
        if word is Word.NOT_BROKEN or (word is Word.HOLDS and result.tick_caution):
            word, about = Word.UNDECIDED, f"none of {count_words(len(names), 'requirement')} breaks"
        tick = at_a_tick(result.tick, result.tick_caution) if word is not Word.HOLDS else ""
        write_answer(console, word.value.upper(), f"{result.machine}: {about}", style=STYLES[word], tick=tick)
    say(console, _total(result), style="bold red" if result.disagreements else "")


def _breaks(console: Console, result: CrossCheck) -> None:
    """A line for each break that need not hold, then the stories of those that count."""
    broken = [item for item in result.opinions if item.verdict is Word.BROKEN]
    told = [item for item in broken if not item.counts]
    if told:
        say(console, "")
    widest = max((len(item.name) for item in told), default=0)
    for item in told:
        fault = item.story.fault if item.story is not None else None
        line = f"NOT REQUIRED  {item.name.ljust(widest)}  {fault or fault_words(item.faults)}"
        say_unbroken(console, line, style="dim")
    for item in broken:
        if item.counts and item.story is not None:
            section(
                console, f"BROKEN  {item.name} with {fault_words(item.faults)}", style=STYLES[Word.BROKEN]
            )
            write_story(console, item.story)


def _table(console: Console, result: CrossCheck) -> Text:
    rows = []
    for item in result.opinions:
        not_required = item.verdict is Word.BROKEN and not item.counts
        said = NOT_REQUIRED if not_required else item.verdict.value
        rows.append(
            [
                Text(item.name),
                Text(str(item.faults)),
                Text(said, style=STYLES[item.verdict] if item.counts else "dim"),
                Text(_exploration(item), style="bold red" if item.agrees is False else ""),
                Text(_how(item)),
            ]
        )
    return aligned(("requirement", "faults", "z3 says", "exploration", "how"), rows, console.width)


def _exploration(item: CrossCheckRow) -> str:
    if item.explored is None or item.agrees is True:
        return AGREES[item.agrees]
    said = item.explored.value
    return f"{AGREES[item.agrees]}: {said}" if item.agrees is False else said


def _how(item: CrossCheckRow) -> str:
    if item.verdict is Word.UNDECIDED:
        return f"tried for {item.seconds:.1f} s"
    depth = count_words(item.depth or 0, "tick") if item.method == REPLAY else str(item.depth)
    took = f", {item.seconds:.0f} s" if item.seconds >= LONG else ""
    return f"{HOW[item.method].format(depth)}{took}"


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
