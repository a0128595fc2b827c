"""compare, pairs of faults and soak against the second interpreter, on machines drawn by number."""

from __future__ import annotations

from random import Random

import pytest

from evidence_build import built_quickly
from stillgate.controller.effort import Effort
from stillgate.controller.errors import MachineFileError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.analyses.fault_pairs import fault_pairs_of
from stillgate.interlocks.analyses.version_diff import compare
from stillgate.interlocks.results.fault_table_rows import FaultBreak, FaultOutcome, FaultRow
from stillgate.interlocks.results.verdict import CheckResult, Word
from stillgate.interlocks.simulated_runs.soak_run import Violation, soak
from stillgate.sim_io.faults.disturbances import parse_disturbance
from whole_oracle.changing import changed
from whole_oracle.comparing import file_text, small_machine
from whole_oracle.drawing import MachineDict, draw_machine
from whole_oracle.faults import POWER, faults_of
from whole_oracle.following import Follower
from whole_oracle.judging import TooLarge, judge
from whole_oracle.monitors import Memory, Monitor
from whole_oracle.two_faults import FaultBreaks, breaks_of_faults
from whole_oracle.two_versions import first_difference
from whole_oracle.world import Situation

MACHINES = 30
CHUNK, AT_NIGHT = 25, 40
"""A thousand at night."""
MOST_TICKS = 8_000


# -- two versions ----------------------------------------------------------------------------


def two_versions(seed: int) -> tuple[MachineDocument, MachineDocument, int, int | None]:
    """Two versions of a machine, the tick, and the first instant at which the oracle has them differ."""
    chance = Random(seed)
    for attempt in range(100):
        found = draw_machine(seed, attempt)
        try:
            old = read_machine_text(file_text(found), "old.yaml")
            new = read_machine_text(file_text(changed(found, chance)), "new.yaml")
            tick = old.machine.check.tick or old.machine.scan
            depth = first_difference(old.machine, new.machine, tick=tick, most=MOST_TICKS)
        except (MachineFileError, TooLarge):
            continue
        if depth is not None or seed % 2:  # most changes change no output
            return old, new, tick, depth
    raise AssertionError(f"seed {seed}: no attempt is small enough")


def not_checked(document: MachineDocument, tick: int) -> CheckResult:
    """Verdicts are not what is compared here."""
    scan = document.machine.scan
    return CheckResult(document.machine.machine, document.digest, "", tick, scan, 0, (), (), (), (), ())


def compared_alike(seed: int) -> bool:
    """Asserts that the outputs of two versions first differ where the oracle says; whether they do."""
    old, new, tick, depth = two_versions(seed)
    with built_quickly():
        results = not_checked(old, tick), not_checked(new, tick)
        found = compare(old, new, results, tick=tick, effort=Effort(threads=1))
    said = f"seed {seed}: {found.outputs_text}; the oracle says {depth}"
    same = (Word.HOLDS, Word.NOT_BROKEN)  # the latter at a tick longer than the scan
    assert found.outputs in (same if depth is None else (Word.BROKEN,)), said
    if depth is not None:
        assert found.difference is not None
        assert found.difference.ticks == depth + 1, said
    return depth is not None


def test_two_versions_of_thirty_machines_differ_when_the_oracle_says() -> None:
    differ = sum(compared_alike(seed) for seed in range(MACHINES))
    assert 8 <= differ <= MACHINES - 8


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(AT_NIGHT))
def test_two_versions_of_a_thousand_machines_differ_when_the_oracle_says(chunk: int) -> None:
    for seed in range(chunk * CHUNK, (chunk + 1) * CHUNK):
        compared_alike(seed)


# -- pairs of faults -------------------------------------------------------------------------


def redundant(found: MachineDict, chance: Random) -> MachineDict:
    """The machine with two contacts that each hold an output off, so that it takes two faults to fail.

    Of all faults four are left, for plain Python searches under every two of them.
    """
    found["inputs"].setdefault("stop", {})
    output = chance.choice(list(found["outputs"]))
    found.setdefault("interlocks", []).extend({"hold_off": output, "unless": name} for name in ("go", "stop"))
    found["requirements"]["both"] = {"never": f"asked.{output} and not go and not stop"}
    signals = [*found["inputs"], *found["outputs"]]
    rest = [*(f"{name} stuck {word}" for name in signals for word in ("on", "off")), POWER]
    rest = [fault for fault in rest if fault not in ("go stuck on", "stop stuck on")]
    left_out = chance.sample(rest, len(rest) - 2)
    found["check"]["exclude"] = [{"fault": fault, "why": "drawn"} for fault in left_out]
    return found


def with_two_faults(seed: int) -> tuple[Machine, int, FaultBreaks]:
    """A machine, its tick, and what the oracle says of its faults."""
    chance = Random(seed)
    for attempt in range(100):
        try:
            machine = read_machine_text(file_text(redundant(draw_machine(seed, attempt), chance))).machine
            tick = machine.check.tick or machine.scan
            return machine, tick, breaks_of_faults(machine, tick=tick, most=MOST_TICKS // 2)
        except TooLarge:
            continue
    raise AssertionError(f"seed {seed}: no attempt is small enough")


def as_row(fault: str, breaks: dict[str, int]) -> FaultRow:
    """What ``fault_pairs`` reads of a row of the fault table."""
    found = tuple(FaultBreak(name, None, False, depth + 1, None) for name, depth in breaks.items())
    return FaultRow(fault, "", "", FaultOutcome.BREAKS if found else FaultOutcome.OTHER, "", found)


def pairs_alike(seed: int) -> int:
    """Asserts that pairs break what the oracle says, as soon as it says; how many break something."""
    machine, tick, oracle = with_two_faults(seed)
    singles = [as_row(fault, breaks) for fault, breaks in oracle.alone.items()]
    with built_quickly():
        found = fault_pairs_of(machine, singles, tick=tick, effort=Effort(threads=1))
    assert (found.searched, found.undecided) == (len(oracle.together), 0)
    said = {row.fault: {item.requirement: item.depth - 1 for item in row.breaks} for row in found.rows}
    expected = {" and ".join(pair): breaks for pair, breaks in oracle.together.items() if breaks}
    assert said == expected, f"seed {seed}"
    return len(said)


def test_two_faults_break_in_thirty_machines_what_the_oracle_says() -> None:
    assert sum(pairs_alike(seed) > 0 for seed in range(MACHINES)) >= 10


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(AT_NIGHT))
def test_two_faults_break_in_a_thousand_machines_what_the_oracle_says(chunk: int) -> None:
    for seed in range(chunk * CHUNK, (chunk + 1) * CHUNK):
        pairs_alike(seed)


# -- soak ------------------------------------------------------------------------------------


def assert_a_run_of_the_oracle(machine: Machine, found: Violation, faults: list[str]) -> None:
    """The run that was cut down is a run of the oracle, and breaks there first at the same scan."""
    follower = Follower(machine, faults)
    requirement = machine.requirements.get(found.requirement)
    counter = found.requirement.removesuffix(" in its bounds")
    monitor = None if requirement is None else Monitor(machine, requirement, machine.scan)
    start = Memory((), -1) if monitor is None else monitor.start()
    may_be: set[tuple[Situation, Memory]] = {(situation, start) for situation in follower.situations}
    for frame in found.result.frames:
        last = frame.time == found.broken_at
        following = set()
        for situation, memory in may_be:
            for instant, after in follower.ticks(situation, frame):
                if monitor is None:
                    marked, remembered = counter in instant.left_range, memory
                else:
                    judged = monitor.judge(memory, instant.names)
                    marked, remembered = judged.marked, judged.after
                if marked == last:
                    following.add((after, remembered))
        assert following, f"no run of the oracle shows {frame}"
        if last:
            return
        may_be = following
    raise AssertionError("the run ends before the break")


def soaked_alike(seed: int) -> bool:
    """Asserts that what a soak finds broken is broken; whether it found anything."""
    text, machine, _ = small_machine(seed)
    chance = Random(seed)
    stuck = [fault for fault in faults_of(machine) if fault != POWER]
    faults = chance.sample(stuck, 1) if stuck and seed % 2 else []
    mishaps = [parse_disturbance(line, machine) for line in faults]
    length = 60 * machine.scan
    document = read_machine_text(text, "machine.yaml")
    result = soak(document, duration=40 * length, seed=seed, shift=length, mishaps=mishaps, jobs=1)
    found = result.violation
    if found is None:
        return False
    assert_a_run_of_the_oracle(machine, found, faults)
    check = machine.check.model_copy(update={"faults": len(faults)})
    try:
        judgement = judge(machine.model_copy(update={"check": check}), tick=machine.scan, most=MOST_TICKS)
    except TooLarge:
        return True
    scan = found.broken_at // machine.scan
    if found.requirement in machine.requirements:
        answer = judgement.answers[found.requirement, len(faults)]
        assert not answer.holds, f"seed {seed}: {found.requirement}"
        assert answer.depth is not None
        assert answer.depth <= scan
    else:
        counter = found.requirement.removesuffix(" in its bounds")
        assert judgement.left_range[counter, len(faults)] <= scan
    return True


def test_what_a_soak_of_thirty_machines_finds_broken_is_broken() -> None:
    assert sum(soaked_alike(seed) for seed in range(MACHINES)) >= 10


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(AT_NIGHT))
def test_what_a_soak_of_a_thousand_machines_finds_broken_is_broken(chunk: int) -> None:
    for seed in range(chunk * CHUNK, (chunk + 1) * CHUNK):
        soaked_alike(seed)
