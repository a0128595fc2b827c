"""How soon each planted mistake of ``machines/broken`` is found: exploration, aimed runs, random runs.

All three look for any requirement that breaks with no more faults than it must withstand, and
stop at the first. Times are those of the processors, compilers included. 'Aimed' is the state
machine of Hypothesis that ``machine_rules`` makes, without shrinking; 'random' changes every free
input once a second on average and lets a single fault begin in two runs of three.
"""

from __future__ import annotations

import random
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import invariant, run_state_machine_as_test
from stillgate.controller.machine import Machine
from stillgate.controller.reader import MachineDocument, read_machine
from stillgate.interlocks.check import required_faults
from stillgate.interlocks.verdict import Word
from stillgate.sim_io.faults import faults_of
from stillgate.sim_io.simulation import disturbance_of

from stillgate.testing import RequirementBroken, machine_rules
from stillgate.testing.lowered_run import LoweredMachine

from .figures import Figure, at_least

CAP_SECONDS = 60.0
RANDOM_SECONDS = 30
SEED = 1
"""Of Hypothesis; another one finds other runs, and other times."""

BROKEN = Path(__file__).parent.parent / "machines" / "broken"


def measure(folder: Path = BROKEN, cap: float = CAP_SECONDS) -> tuple[list[Figure], list[str]]:
    """A line a planted mistake, and how many each method finds."""
    figures: list[Figure] = []
    methods: dict[str, Callable[[MachineDocument, float], float | None]] = {
        "exploration": explored,
        "aimed": aimed,
        "random": at_random,
    }
    counts = dict.fromkeys(methods, 0)
    files = sorted(folder.glob("*.yaml"))
    for path in files:
        document = read_machine(path)
        said: list[str] = []
        for name, method in methods.items():
            seconds = method(document, cap)
            counts[name] += seconds is not None
            said.append("not found" if seconds is None else f"{seconds:.2f} s")
        figures.append(Figure(path.stem, " | ".join(said)))
    total = len(files)
    figures.append(at_least("found by exploration", 100 * counts["exploration"] / total, 100, "%"))
    figures.append(at_least(f"found by aimed runs in {cap:g} s", 100 * counts["aimed"] / total, 80, "%"))
    figures.append(Figure(f"found by random runs in {cap:g} s", f"{100 * counts['random'] / total:.3g} %"))
    return figures, ["exploration | aimed runs of Hypothesis | random input; seconds of the processors"]


def _spent() -> float:
    """Seconds of the processors so far, of compilers that were called too."""
    try:
        resource = import_module("resource")
    except ImportError:  # not on Windows
        return time.process_time()
    found = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return float(sum(item.ru_utime + item.ru_stime for item in found))


def explored(document: MachineDocument, cap: float) -> float | None:
    """The check, first without faults and then with one, as a person would."""
    from stillgate.interlocks.check import check

    began = _spent()
    for faults in (0, 1):
        result = check(document, faults=faults, use_cache=False)
        if any(item.verdict is Word.BROKEN for item in result.requirements):
            return _spent() - began
    return None


def aimed(document: MachineDocument, cap: float) -> float | None:
    """The state machine of Hypothesis, new runs until one breaks something."""
    found: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        began = _spent()
        base = machine_rules(document, faults=1, found_in=folder)

        class Timed(base):  # type: ignore[valid-type, misc]
            """The same, with a clock."""

            def __init__(self) -> None:
                if _spent() - began > cap:
                    raise KeyboardInterrupt
                super().__init__()

            @invariant()
            def requirements_hold(self) -> None:
                try:
                    base.requirements_hold(self)
                except RequirementBroken:
                    found.append(_spent() - began)
                    raise

        how = settings(
            max_examples=10**6,
            stateful_step_count=20,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            print_blob=False,
        )
        with suppress(KeyboardInterrupt, RequirementBroken):
            run_state_machine_as_test(seed(SEED)(Timed), settings=how)
    return found[0] if found else None


def at_random(document: MachineDocument, cap: float) -> float | None:
    """Runs of half a minute with random input, and a fault in two of three."""
    began = _spent()
    machine = document.machine
    lowered = LoweredMachine(machine)
    number = 0
    while _spent() - began < cap:
        if _random_run(machine, lowered, number):
            return _spent() - began
        number += 1
    return None


def _random_run(machine: Machine, lowered: LoweredMachine, number: int) -> bool:
    chance = random.Random(number)
    run = lowered.run(number)
    free = list(lowered.lowered(()).free)
    scans = RANDOM_SECONDS * 1000 // machine.scan
    begins = chance.randrange(scans) if number % 3 else scans
    each = machine.scan / 1000
    for scan in range(scans):
        for name in free:
            if chance.random() < each:
                run.set_input(name, chance.random() < 0.5)
        if scan == begins:
            fault = chance.choice(faults_of(machine))
            if fault.subject:
                run.inject(disturbance_of(fault))
            else:
                run.power(on=False)
        if scan == begins + 10:
            run.power(on=True)
        run.step()
        happened = int(scan >= begins)
        if any(_counts(machine, name, happened) for _, name in run.broken):
            return True
    return False


def _counts(machine: Machine, name: str, faults: int) -> bool:
    requirement = machine.requirements.get(name)
    return not faults if requirement is None else faults <= required_faults(machine, requirement)
