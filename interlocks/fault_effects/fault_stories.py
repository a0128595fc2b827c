"""The story of a break under one fault."""

from __future__ import annotations

from dataclasses import replace

from stillgate.controller.expressions.durations import format_duration
from stillgate.sim_io.faults.fault_list import Fault

from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Replay, tell
from ..loop.obligation_window import waiting_window
from ..results.requirement_text import sentence_of
from ..results.verdict import Story


def story_of(loop: ClosedLoop, name: str, fault: Fault, run: Replay) -> Story:
    """How a run under a fault breaks a requirement, or leaves the bounds of a counter."""
    requirement = loop.machine.requirements.get(name)
    said = f" ({sentence_of(requirement)})" if requirement is not None else ""
    at = format_duration((len(run.ticks) - 1) * loop.tick)
    story = tell(run, f"{name} is broken {at} after power-on, with one fault: {fault.name}{said}")
    if requirement is None:
        return story
    return replace(story, window=waiting_window(run, name, requirement))
