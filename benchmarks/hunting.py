"""How soon each planted mistake of ``machines/broken`` is found: exploration, aimed runs, random runs.

All three look for any requirement that breaks with no more faults than it must withstand, and
stop at the first. Times are those of the processors, compilers included, and so are the limits, so
a busy computer finds no less. 'Aimed' is the state machine of Hypothesis that ``machine_rules``
makes, without shrinking, with several seeds since each finds other runs; 'random' changes every
free input once a second on average and lets a single fault begin in two runs of three.

A row is printed as soon as it is known. Who has found nothing within ``CAP_SECONDS`` has not found
it. The whole takes ``LONGEST`` at most; what would come later is left out, says so, and counts as
not found.
"""

from __future__ import annotations

import random
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import partial
from importlib import import_module
from pathlib import Path
from statistics import median

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import invariant, run_state_machine_as_test

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument, read_machine
from stillgate.interlocks.checking.checker import required_faults
from stillgate.interlocks.results.verdict import Word
from stillgate.sim_io.faults.fault_list import faults_of
from stillgate.sim_io.simulation.simulation import disturbance_of
from stillgate.testing import RequirementBroken, machine_rules
from stillgate.testing.fast_simulation import LoweredMachine

from .figures import Figure

CAP_SECONDS = 60.0
LONGEST = 28 * 60.0
"""Seconds of the processors for the whole."""

RANDOM_SECONDS = 30
SEEDS = (1, 2, 3)
"""Of Hypothesis; each finds other runs, in other times."""

AIMED_AT_LEAST = 0.8
"""Share of the mistakes that aimed runs are to find."""

BROKEN = Path(__file__).parent.parent / "machines" / "broken"

Method = Callable[[MachineDocument, float], float | None]
"""Seconds that a mistake was found in, None if it was not, given at most so many."""


def measure(
    folder: Path = BROKEN,
    *,
    cap: float = CAP_SECONDS,
    longest: float = LONGEST,
    seeds: Sequence[int] = SEEDS,
    say: Callable[[str], None] = print,
) -> tuple[list[Figure], list[str]]:
    """A line a planted mistake, as it comes; then how many each method finds.

    Args:
        folder: of machine files with a mistake each.
        cap: seconds of the processors for one mistake and method.
        longest: for all of them.
        seeds: of the aimed runs.
        say: prints a line.
    """
    methods: dict[str, Method] = {"exploration": explored}
    methods |= {f"aimed, seed {number}": partial(aimed, number=number) for number in seeds}
    methods["random"] = at_random
    files = sorted(folder.glob("*.yaml"))
    found: dict[str, list[float]] = {name: [] for name in methods}
    began = _spent()
    say(_row("seconds of the processors", methods))
    for path in files:
        said: list[str] = []
        for name, method in methods.items():
            left = longest - (_spent() - began)
            seconds = method(read_machine(path), min(cap, left)) if left > 0 else None
            if seconds is not None and seconds <= cap:
                found[name].append(seconds)
            said.append(f"{seconds:.2f}" if seconds is not None else "not found" if left > 0 else "left out")
        say(_row(path.stem, said))
    figures = [_share(name, times, len(files), cap) for name, times in found.items()]
    return figures, [
        f"All took {(_spent() - began) / 60:.1f} min of the processors, of {longest / 60:g} at most."
    ]


def _row(name: str, columns: Iterable[str]) -> str:
    return f"{name:<38}" + "".join(f"{text:>15}" for text in columns)


def _share(name: str, times: list[float], total: int, cap: float) -> Figure:
    """How many were found, and in what time the slowest and the one in the middle."""
    what = f"{name}: found within {cap:g} s each"
    percent = f"{len(times)} of {total}"
    if times:
        percent += f" (median {median(times):.2g} s, last {max(times):.2g} s)"
    least = {"exploration": 1.0, "random": 0.0}.get(name, AIMED_AT_LEAST)
    if not least:
        return Figure(what, percent)
    return Figure(what, percent, f">= {100 * least:g} %", len(times) >= least * total)


def _spent() -> float:
    """Seconds of the processors so far, of compilers that were called too."""
    try:
        resource = import_module("resource")
    except ImportError:  # not on Windows
        return time.process_time()
    found = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return float(sum(item.ru_utime + item.ru_stime for item in found))


def explored(document: MachineDocument, cap: float) -> float | None:
    """The check, first without faults and then with one, as a person would.

    Its own limit is by the clock on the wall, and only there so that it ends.
    """
    from stillgate.interlocks.checking.checker import check

    began = _spent()
    for faults in (0, 1):
        result = check(document, faults=faults, use_cache=False, time_limit=4 * cap)
        if any(item.verdict is Word.BROKEN for item in result.requirements):
            return _spent() - began
    return None


def aimed(document: MachineDocument, cap: float, *, number: int = 1) -> float | None:
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
            run_state_machine_as_test(seed(number)(Timed), settings=how)
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
