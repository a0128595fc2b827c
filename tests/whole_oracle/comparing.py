"""What check, oracle, sets of times, z3, executive and random runs say differently of a machine."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from random import Random
from typing import Any

from engine import checked
from judged_by_others import differences
from judged_by_sets import Known, checked_by_sets, compare_sets
from named_machines import seen_now_and_then, with_names
from stillgate.controller.machine_file.machine import FromAnywhere, Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.results.verdict import CheckResult

from .drawing import draw_machine
from .judging import Judgement, TooLarge, judge
from .named import written_out

MOST_TICKS = 8_000
"""Ticks that the oracle looks at before a machine is taken to be too large and another is drawn."""


@dataclass
class Compared:
    """One machine, judged twice.

    Attributes:
        text: the machine file.
        differences: a sentence each; none where both agree.
        judgements: verdicts that were compared with the oracle.
        by_others: verdicts, stories and breaks that were compared with z3, the executive and random runs.
        by_sets: verdicts that sets of times reached, each compared with the oracle and with situations.
        left_by_sets: those that sets left undecided.
    """

    text: str
    machine: Machine
    by_oracle: Judgement
    differences: list[str] = field(default_factory=list)
    judgements: int = 0
    by_others: int = 0
    by_sets: int = 0
    left_by_sets: int = 0


def file_text(found: dict[str, Any]) -> str:
    """The machine file of a dict: JSON, which YAML reads."""
    return json.dumps(found, indent=1)


def small_machine(seed: int, most: int = MOST_TICKS) -> tuple[str, Machine, Judgement]:
    """The machine of a seed that the oracle can search: the first small enough of its attempts."""
    for attempt in range(100):
        drawn = drawn_machine(seed, attempt)
        try:
            return file_text(drawn), machine_of(drawn), judged(drawn, most)
        except TooLarge:
            continue
    raise AssertionError(f"seed {seed}: no attempt is small enough")


def drawn_machine(seed: int, attempt: int = 0) -> dict[str, Any]:
    """The machine of a seed as it is compared: one in three, of any theme, with named conditions."""
    drawn = draw_machine(seed, attempt)
    chance = Random(f"names of {seed} {attempt}")
    if Random(f"named {seed}").randrange(3):
        return drawn
    return seen_now_and_then(with_names(drawn, chance), chance)


def machine_of(found: dict[str, Any]) -> Machine:
    """The machine as the program reads it.

    Raises:
        MachineFileError: if it is none.
    """
    return read_machine_text(file_text(found)).machine


def judged(found: dict[str, Any], most: int = MOST_TICKS) -> Judgement:
    """The oracle's judgement of a machine file; named conditions are written out by itself.

    Raises:
        MachineFileError: if it is none.
        TooLarge: if it takes more ticks.
    """
    machine = machine_of(written_out(found))
    return judge(machine, tick=machine.check.tick or machine.scan, most=most)


def most_faults(seed: int) -> int | None:
    """How many faults the machine of a seed is asked about at every run: None as its file says, or none.

    A checker with faults takes twice the time of one without. Of any theme two in five are asked, as
    five and the number of themes have no common divisor. At night all are.
    """
    return None if seed % 5 < 2 else 0


def most_faults_of_sets(seed: int) -> int | None:
    """The same of the check that asks sets of times: of any theme one in five, since each compiles anew."""
    return None if seed % 5 == 0 else 0


def compare(
    seed: int, most: int = MOST_TICKS, *, faults: int | None = None, by_sets: int | None = None
) -> Compared:
    """Judges the machine of a seed by all.

    Args:
        faults: at most so many; None: as many as its file says.
        by_sets: the same of the check that asks sets of times.
    """
    text, machine, judgement = small_machine(seed, most)
    return compared(text, machine, judgement, faults=faults, by_sets=by_sets)


def compared(
    text: str,
    machine: Machine,
    judgement: Judgement,
    *,
    faults: int | None = None,
    by_sets: int | None = None,
) -> Compared:
    """What check, of single situations and of sets of times, says differently from the oracle and others."""
    found = Compared(text, machine, judgement.up_to(faults))
    try:
        result = checked(text, use_cache=False, threads=1, faults=faults)
        sets = checked_by_sets(text, faults=by_sets)
    except Exception as error:
        found.differences.append(f"check ends with {type(error).__name__}: {error}")
        return found
    _compare_verdicts(found, result)
    _compare_findings(found, result)
    by_others, compared = differences(machine, result, faults=max(found.by_oracle.asked.values(), default=0))
    found.differences += by_others
    found.by_others += compared
    _compare_sets(found, result, sets)
    return found


def _compare_sets(found: Compared, result: CheckResult, sets: CheckResult) -> None:
    answers = found.by_oracle.answers.items()
    oracle = {
        key: Known(not answer.holds, None if answer.depth is None else answer.depth + 1)  # instants from 0
        for key, answer in answers
    }
    said = compare_sets(found.machine, result, sets, oracle)
    found.differences += said.differences
    found.by_sets += said.decided
    found.left_by_sets += said.undecided


def _compare_verdicts(found: Compared, result: CheckResult) -> None:
    said = {(item.name, judged.faults): judged for item in result.requirements for judged in item.judgements}
    oracle = found.by_oracle.answers
    asked = {(name, count) for name, count in oracle if count == found.by_oracle.asked[name]}
    for name, faults in sorted(asked - said.keys()):
        if oracle[name, 0].holds:  # what breaks without a fault need not be judged with one
            found.differences.append(f"{name} is not judged with {faults} faults")
    for key in sorted(said):
        name, faults = key
        answer, judged = oracle[key], said[key]
        found.judgements += 1
        where = f"{name} with {faults} faults"
        if (judged.word.value == "broken") == answer.holds:
            word = "holds" if answer.holds else "broken"
            found.differences.append(
                f"{where}: check says {judged.word.value} ({judged.depth}), the oracle {word} "
                f"({answer.depth})"
            )
        elif judged.depth is not None and answer.depth is not None:
            if isinstance(found.machine.requirements[name], FromAnywhere):
                continue  # the page tells no depth of a situation that is cut off
            instant = judged.depth - 1  # a depth counts ticks
            if instant != answer.depth:
                found.differences.append(
                    f"{where}: check says at instant {instant}, the oracle at {answer.depth}"
                )


def _compare_findings(found: Compared, result: CheckResult) -> None:
    by_check = {item.subject for item in result.findings if item.kind.name == "BOUNDS"}
    by_oracle = {name for name, _ in found.by_oracle.left_range}
    if by_check != by_oracle:
        found.differences.append(
            f"check says that {sorted(by_check)} leave their range, the oracle {sorted(by_oracle)}"
        )
    never = {item.subject for item in result.findings if item.kind.name == "STATE_NEVER_REACHED"}
    every = {(name, state) for name, sequence in found.machine.sequences.items() for state in sequence.states}
    not_met = {".".join(item) for item in every - found.by_oracle.states}
    if never != not_met:
        found.differences.append(
            f"check says that {sorted(never)} are never reached, the oracle {sorted(not_met)}"
        )
