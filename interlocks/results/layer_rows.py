"""Which layer carries a requirement, as values.

Like ``verdict``: all frozen, computed elsewhere, and whoever prints or draws them reads nothing else.
Times are in milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from stillgate.controller.machine_file.field_types import Milliseconds

from .verdict import Judgement


class Carrier(Enum):
    """Which layer carries a requirement."""

    EITHER = "either layer alone"
    SEQUENCES = "the sequences"
    INTERLOCKS = "the interlocks"
    BOTH = "both together only"
    NONE = "none"  # broken even with both
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class LayerRow:
    """A hazard requirement judged three ways."""

    requirement: str
    hazard: str
    sequences: Judgement  # interlocks removed
    interlocks: Judgement  # every output demanded at will
    both: Judgement  # as the file has it
    carrier: Carrier
    text: str


@dataclass(frozen=True, slots=True)
class LayerTable:
    """Which layer carries each hazard requirement, under a fault budget."""

    machine: str
    faults: int
    tick: Milliseconds
    rows: tuple[LayerRow, ...]
    assumptions: tuple[str, ...]
    seconds: float
    tick_caution: str = ""  # what verdicts at another tick than the scan are worth
