"""What a check says of a machine when it asks sets of times at once, beside what single situations gave.

Sets may leave something undecided, and a run that they show need not be the shortest. Whatever they do
decide must be what the search of every situation says, and the oracle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

import pytest

from engine import checked
from stillgate.controller.machine_file.machine import FromAnywhere, Machine
from stillgate.interlocks.checking import search_plan
from stillgate.interlocks.results.verdict import CheckResult, FindingKind, Word
from stillgate.interlocks.symbolic.deployed_points import compare_with_deployed

POINTS = 200
"""Points of each search that are stepped in the deployed controller, where a check steps ten thousand."""

Key = tuple[str, int]
"""A requirement's name, and how many faults."""


@dataclass(frozen=True)
class Known:
    """What is known of a requirement: whether it breaks, and the fewest ticks of a run that shows it."""

    breaks: bool
    ticks: int | None


@dataclass
class BySets:
    """What sets say differently: a sentence each; and how many verdicts they reached and left open."""

    differences: list[str] = field(default_factory=list)
    decided: int = 0
    undecided: int = 0


def checked_by_sets(text: str, *, faults: int | None) -> CheckResult:
    """The check of a machine whose single situations are too many from the second on."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search_plan, "FEW", 1)
        patch.setattr(search_plan, "MANY", 1)
        fewer = partial(compare_with_deployed, most=POINTS)
        patch.setattr("stillgate.interlocks.symbolic.set_answers.compare_with_deployed", fewer)
        return checked(text, use_cache=False, threads=1, faults=faults)


def known_by_situations(result: CheckResult) -> dict[Key, Known]:
    """What a check says that searched every situation."""
    return {
        (item.name, judged.faults): Known(judged.word is Word.BROKEN, judged.depth)
        for item in result.requirements
        for judged in item.judgements
    }


def compare_sets(
    machine: Machine, result: CheckResult, by_sets: CheckResult, by_oracle: Mapping[Key, Known]
) -> BySets:
    """What sets say differently from the search of every situation and from the oracle.

    Args:
        result: of the check that searched every situation.
        by_sets: of the same check, by ``checked_by_sets``.
        by_oracle: at least what is asked.
    """
    found = BySets()
    for whole in by_sets.exploration:
        asked = [item.sets for item in (whole, *(part.exploration for part in whole.slices)) if item.sets]
        # What has one situation only, the machine or a slice of it, is searched by then.
        small = all(part.exploration.exhausted for part in whole.slices) if whole.slices else whole.exhausted
        if not asked and not small:
            found.differences.append("sets were not asked")
        found.differences += [
            f"{sets.points} points were compared with the deployed controller"
            for sets in asked
            if sets.exhausted and sets.points != POINTS
        ]
    by_situations = known_by_situations(result)
    said = {(item.name, judged.faults): judged for item in by_sets.requirements for judged in item.judgements}
    most = max((faults for _, faults in said), default=0)
    found.differences += [
        f"{name} is not judged by sets with {faults} faults"
        for name, faults in sorted(by_situations.keys() - said.keys())
        if faults <= most
    ]
    for key, judged in sorted(said.items()):
        if judged.word is Word.UNDECIDED:
            found.undecided += 1
            continue
        found.decided += 1
        for who, known in (("situations", by_situations.get(key)), ("the oracle", by_oracle.get(key))):
            if known is None:  # broken without a fault, so nobody looks with one
                continue
            where = f"{key[0]} with {key[1]} faults: sets say {judged.word.value} ({judged.depth}), {who}"
            if (judged.word is Word.BROKEN) != known.breaks:
                found.differences.append(f"{where} {'broken' if known.breaks else 'not broken'}")
            elif isinstance(machine.requirements[key[0]], FromAnywhere):
                continue  # the page tells no depth of a situation that is cut off
            elif judged.depth is not None and known.ticks is not None and judged.depth < known.ticks:
                found.differences.append(f"{where} not before {known.ticks} ticks")
    _compare_findings(found, result, by_sets)
    return found


def _compare_findings(found: BySets, result: CheckResult, by_sets: CheckResult) -> None:
    """Counters that leave their range; states that are never reached, of which sets may miss some."""
    unsure = {name for item in by_sets.exploration if item.sets for name in item.sets.unsure}
    left, left_by_sets = (subjects(item, FindingKind.BOUNDS) for item in (result, by_sets))
    if left_by_sets - left or left - left_by_sets - {name.removesuffix(" in its bounds") for name in unsure}:
        found.differences.append(f"sets say that {left_by_sets} leave their range, situations {left}")
    never, never_by_sets = (subjects(item, FindingKind.STATE_NEVER_REACHED) for item in (result, by_sets))
    if never_by_sets - never:
        found.differences.append(f"sets say that {never_by_sets} are never reached, situations {never}")


def subjects(result: CheckResult, kind: FindingKind) -> set[str]:
    """What the findings of a kind are about."""
    return {item.subject for item in result.findings if item.kind is kind}
