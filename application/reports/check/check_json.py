"""A check as JSON: the same facts as the text, under names that ``schema_words`` explains."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from stillgate.interlocks.results.verdict import (
    CheckResult,
    Exploration,
    Finding,
    Judgement,
    RequirementVerdict,
    SliceCovered,
    Story,
    StoryStep,
)

from ...console.words import CAUTION

FORMAT = "stillgate check 1"
"""Changes when a field changes its meaning or goes away; new fields do not change it."""


def check_document(result: CheckResult, file: str) -> dict[str, Any]:
    """The JSON document of a check; every time in it is in milliseconds."""
    return {
        "format": FORMAT,
        "machine": result.machine,
        "file": file,
        "digest": result.digest,
        "version": result.version,
        "verdict": result.verdict.value,
        "tick": result.tick,
        "scan": result.scan,
        "tick_caution": result.tick_caution,
        "faults": result.faults,
        "requirements": [_requirement(item) for item in result.requirements],
        "assumptions": list(result.assumptions),
        "exclusions": [{"fault": fault, "why": why} for fault, why in result.exclusions],
        "findings": [_finding(item) for item in result.findings],
        "exploration": [_exploration(item) for item in result.exploration],
        "from_cache": result.from_cache,
        "caution": CAUTION,
    }


def story_document(story: Story) -> dict[str, Any]:
    """The JSON document of a story."""
    return {
        "headline": story.headline,
        "fault": story.fault,
        "ticks": story.ticks,
        "start": dict(story.start),
        "steps": [step_document(item) for item in story.steps],
        "inputs": [
            {name: int(level) for name, level in instant.circuits.items()} for instant in story.instants
        ],
        "window": list(story.window) if story.window is not None else None,
        "truths": {
            name: [instant.truths[name] for instant in story.instants]
            for name in story.recording[0].instant.truths
        },
    }


def _requirement(item: RequirementVerdict) -> dict[str, Any]:
    return {
        "name": item.name,
        "verdict": item.verdict.value,
        "tick": item.judgements[0].tick if item.judgements else None,
        "hazard": item.hazard,
        "faults": item.faults,
        "withstands": item.withstands,
        "pattern": item.pattern,
        "text": item.text,
        "formula": item.formula,
        "names": dict(item.names),
        "why": item.why,
        "line": item.line,
        "column": item.column,
        "judgements": [_judgement(judgement) for judgement in item.judgements],
        "story": story_document(item.story) if item.story is not None else None,
    }


def _judgement(item: Judgement) -> dict[str, Any]:
    return {
        "faults": item.faults,
        "verdict": item.word.value,
        "tick": item.tick,
        "depth": item.depth,
        "reason": item.reason,
        "left_out": list(item.left_out),
        "method": item.method,
    }


def step_document(item: StoryStep) -> dict[str, Any]:
    """The JSON document of one step of a story or trace."""
    return {
        "tick": item.tick,
        "time": item.time,
        "changes": [
            {"name": change.name, "before": change.before, "after": change.after, "cause": change.cause.value}
            for change in item.changes
        ],
        "states": dict(item.states),
        "outputs_on": list(item.on_outputs),
    }


def _finding(item: Finding) -> dict[str, Any]:
    return {
        "kind": item.kind.value,
        "subject": item.subject,
        "message": item.message,
        "line": item.line,
        "column": item.column,
        "breaks": item.breaks,
        "story": story_document(item.story) if item.story is not None else None,
    }


def _exploration(item: Exploration) -> dict[str, Any]:
    return _search(item) | {"slices": [_slice(part) for part in item.slices]}


def _slice(item: SliceCovered) -> dict[str, Any]:
    return {
        "requirements": list(item.requirements),
        "kept": list(item.kept),
        "left_out": list(item.left_out),
        "exploration": _search(item.exploration),
    }


def _search(item: Exploration) -> dict[str, Any]:
    return {
        "faults": item.faults,
        "tick": item.tick,
        "exhausted": item.exhausted,
        "stopped_by": item.stopped_by,
        "states": item.states,
        "transitions": item.transitions,
        "depth": item.depth,
        "seconds": round(item.seconds, 3),
        "key_bits": item.key_bits,
        "bytes_per_state": round(item.bytes_per_state, 2),
        "threads": item.threads,
        "initial_states": item.initial_states,
        "sets": None if item.sets is None else asdict(item.sets) | {"unsure": list(item.sets.unsure)},
    }
