"""Two versions of a machine file side by side, as values.

Like ``verdict``: all frozen, computed elsewhere, and whoever prints or draws them reads nothing else.
Times are in milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

from .verdict import Exploration, Story, Word


@dataclass(frozen=True, slots=True)
class FileChange:
    """One difference between two machine files, in words."""

    section: str  # inputs, outputs, memory, parts, sequences, interlocks, requirements, check, machine
    subject: str
    text: str
    old_line: int | None
    new_line: int | None


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """A requirement whose verdict differs; None where a version does not have it."""

    requirement: str
    old: Word | None
    new: Word | None
    story: Story | None  # of the break in the new version, else in the old one


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two versions of a machine file.

    ``outputs`` is HOLDS if the outputs are the same after every input sequence (NOT_BROKEN if that was found
    at a longer tick than the scan), BROKEN if they come to differ (``difference`` is a shortest sequence
    after which they do), UNDECIDED if the search was cut short or the plants differ.
    """

    old: str
    new: str
    old_digest: str
    new_digest: str
    changes: tuple[FileChange, ...]
    verdicts: tuple[VerdictChange, ...]
    outputs: Word
    outputs_text: str  # what was shown, in a sentence, with what was covered
    difference: Story | None
    differing: tuple[str, ...]  # outputs that differ at the end of it
    exploration: Exploration | None
    assumptions: tuple[str, ...]
    seconds: float
    tick_caution: str = ""  # what verdicts at another tick than the scan are worth
