"""Requirements, monitors and exhaustive exploration: which requirements hold, and how others break."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .checking.assumptions import assumptions_of
    from .checking.checker import check
    from .exploration.explorer import Explorer, Progress
    from .loop.closed_loop import ClosedLoop, close_loop
    from .results.verdict import (
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
    "CheckResult": "results.verdict",
    "ClosedLoop": "loop.closed_loop",
    "Exploration": "results.verdict",
    "Explorer": "exploration.explorer",
    "Finding": "results.verdict",
    "Judgement": "results.verdict",
    "Progress": "exploration.explorer",
    "RequirementVerdict": "results.verdict",
    "Story": "results.verdict",
    "StoryStep": "results.verdict",
    "Word": "results.verdict",
    "assumptions_of": "checking.assumptions",
    "check": "checking.checker",
    "close_loop": "loop.closed_loop",
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
