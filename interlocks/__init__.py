"""Requirements, monitors and exhaustive exploration: which requirements hold, and how others break."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .assumptions import assumptions_of
    from .check import check
    from .closed_loop import ClosedLoop, close_loop
    from .explorer import Explorer, Progress
    from .verdict import (
        CheckResult,
        Exploration,
        Finding,
        Judgement,
        RequirementVerdict,
        Story,
        StoryStep,
        Word,
    )

_HOME = {
    "CheckResult": "verdict",
    "ClosedLoop": "closed_loop",
    "Exploration": "verdict",
    "Explorer": "explorer",
    "Finding": "verdict",
    "Judgement": "verdict",
    "Progress": "explorer",
    "RequirementVerdict": "verdict",
    "Story": "verdict",
    "StoryStep": "verdict",
    "Word": "verdict",
    "assumptions_of": "assumptions",
    "check": "check",
    "close_loop": "closed_loop",
}

__all__ = [
    "CheckResult",
    "ClosedLoop",
    "Exploration",
    "Explorer",
    "Finding",
    "Judgement",
    "Progress",
    "RequirementVerdict",
    "Story",
    "StoryStep",
    "Word",
    "assumptions_of",
    "check",
    "close_loop",
]


def __getattr__(name: str) -> object:
    """Loads a public name from its home at first use."""
    if name not in _HOME:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    from importlib import import_module

    value: object = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
