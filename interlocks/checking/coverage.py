"""What a search notices beyond verdicts: never reached, never taken, vacuous, deadlock."""

from __future__ import annotations

from collections.abc import Sequence

from stillgate.controller.program.controller_program import SequenceProgram
from stillgate.controller.reading.reader import MachineDocument

from ..loop.closed_loop import ClosedLoop
from ..results.verdict import Finding, FindingKind


def coverage_findings(document: MachineDocument, loop: ClosedLoop, marks: Sequence[bool]) -> list[Finding]:
    """States and exits that no reachable situation uses, and triggers that never happen.

    Args:
        marks: by coverage index, whether it happened in an exhausted search without faults.
    """
    found: list[Finding] = []
    taken = {index for index, happened in enumerate(marks) if happened}
    for sequence in loop.controller.sequences:
        found += _sequence_findings(document, sequence, taken)
    first = loop.monitors.first_mark
    for number, name in enumerate(loop.monitors.triggers):
        if not marks[first + number]:
            line, column = document.place(("requirements", name))
            found.append(
                Finding(
                    FindingKind.VACUOUS,
                    name,
                    f"{name} waits for something that never happens without faults",
                    line,
                    column,
                )
            )
    return found


def _sequence_findings(
    document: MachineDocument, sequence: SequenceProgram, taken: set[int]
) -> list[Finding]:
    found: list[Finding] = []
    every = [*sequence.overrides, *(item for items in sequence.exits for item in items)]
    reached = {sequence.start} | {item.target for item in every if item.mark in taken}
    for number, state in enumerate(sequence.states):
        if number not in reached:
            path: tuple[str | int, ...] = ("sequences", sequence.name, "states", state)
            found.append(
                _at(
                    document,
                    path,
                    FindingKind.STATE_NEVER_REACHED,
                    f"{sequence.name}.{state}",
                    "is never reached without faults",
                )
            )
    for i, item in enumerate(sequence.overrides):
        if item.mark not in taken:
            path = ("sequences", sequence.name, "overrides", i)
            text = f"to {sequence.states[item.target]} is never taken without faults"
            found.append(
                _at(document, path, FindingKind.EXIT_NEVER_TAKEN, f"{sequence.name}: override {i + 1}", text)
            )
    for number, items in enumerate(sequence.exits):
        if number not in reached:
            continue  # said already, once, by the state
        for i, item in enumerate(items):
            if item.mark not in taken:
                state = sequence.states[number]
                path = ("sequences", sequence.name, "states", state, "exits", i)
                subject = f"{sequence.name}: {state}, exit {i + 1}"
                text = f"to {sequence.states[item.target]} is never taken without faults"
                found.append(_at(document, path, FindingKind.EXIT_NEVER_TAKEN, subject, text))
    return found


def _at(
    document: MachineDocument, path: Sequence[str | int], kind: FindingKind, subject: str, text: str
) -> Finding:
    line, column = document.place(path)
    return Finding(kind, subject, f"{subject} {text}", line, column)


def warning_findings(document: MachineDocument) -> list[Finding]:
    """What the reader warned of."""
    return [
        Finding(FindingKind.WARNING, "", problem.message, max(1, problem.line), max(1, problem.column))
        for problem in document.warnings
    ]
