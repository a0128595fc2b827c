"""Makes the field logs of this folder: the lavender harvester, simulated, with a hidden fault in all but one.

Invented data. Run it in the root of the repository and the files come out byte for byte the
same; which fault hides in which file, and which one has none, stands in ``HIDDEN`` below, so look
there last.

    python -P machines/field_logs/make.py
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from stillgate.controller.reading.reader import read_machine
from stillgate.sim_io.faults.disturbances import parse_disturbance
from stillgate.sim_io.logs.recorder import Recorder
from stillgate.sim_io.simulation.simulation import Simulation

FOLDER = Path(__file__).parent
MACHINE = FOLDER.parent / "lavender_harvester.yaml"
STARTED = datetime(2026, 7, 6, 9, 30, tzinfo=UTC)

HIDDEN = {
    # file: (fault, scan in which it begins, seed, scans in all)
    "monday.log": ("ground_still stuck off", 2000, 11, 4500),
    "tuesday.log": ("index_out stuck off", 1500, 12, 4500),
    "wednesday.log": ("frame_seated_2 intermittent 10 s", 1000, 13, 4500),
    "thursday.log": ("horn stuck off", 2500, 14, 4500),
    "friday.log": ("", 0, 15, 4500),
    "saturday.log": ("index_is_out stuck on", 1800, 16, 4500),
}


class Driver:
    """Somebody who works with the harvester: sits down, restarts, drives, unloads, feeds a frame.

    Args:
        simulation: of the harvester, without another operator.
        seed: of how long everything takes.
    """

    def __init__(self, simulation: Simulation, seed: int) -> None:
        self._simulation = simulation
        self._random = random.Random(seed)
        self._day = self._work()
        self._pause = 0

    def act(self) -> None:
        """To be called before every scan."""
        if self._pause > 0:
            self._pause -= 1
        else:
            self._pause = next(self._day)

    def _set(self, **levels: bool) -> None:
        for name, on in levels.items():
            self._simulation.set_input(name, on)

    def _for(self, seconds: float) -> int:
        """Scans of a time that varies by a quarter."""
        return round(seconds * self._random.uniform(0.8, 1.25) * 1000 / self._simulation.machine.scan)

    def _work(self) -> Iterator[int]:
        self._set(seat_1=True, seat_2=True, lever_neutral=True, frame_waiting=True)
        yield self._for(1.0)
        stopped = 0
        while True:
            state = self._simulation.executive.states["harvest"]
            stopped = stopped + 1 if state == "stopped" else 0
            if state == "ready":
                self._set(restart=True)
                yield self._for(0.25)
                self._set(restart=False)
                yield self._for(1.2)
            elif state == "cutting":
                yield from self._drive()
            elif state == "frame_full":
                yield from self._unload()
            elif stopped > 12:
                yield from self._help()
                stopped = 0
            yield self._for(0.3)

    def _drive(self) -> Iterator[int]:
        side = self._random.choice(("row_left", "row_right", "", ""))
        if side:
            self._set(**{side: True})
            yield self._for(0.15)
            self._set(**{side: False})
        if self._random.random() < 0.03:
            self._set(estop_1=False, estop_2=False)
            yield self._for(1.0)
            self._set(estop_1=True, estop_2=True)
        elif self._random.random() < 0.04:
            self._set(seat_1=False, seat_2=False)
            yield self._for(2.0)
            self._set(seat_1=True, seat_2=True)

    def _lever(self, way: str) -> Iterator[int]:
        self._set(lever_neutral=False, **{way: True})
        yield self._for(0.6)
        self._set(lever_neutral=True, **{way: False})
        yield self._for(0.5)

    def _unload(self) -> Iterator[int]:
        yield self._for(1.2)
        yield from self._lever("lever_lower")
        yield from self._lever("lever_raise")
        yield from self._buttons()

    def _buttons(self) -> Iterator[int]:
        self._set(frame_button_1=True, frame_button_2=True)
        yield self._for(0.9)
        self._set(frame_button_1=False, frame_button_2=False)
        yield self._for(0.6)

    def _help(self) -> Iterator[int]:
        """What one tries when it does not get ready."""
        yield from self._lever("lever_raise")
        if self._random.random() < 0.5:
            yield from self._lever("lever_lower")
            yield from self._lever("lever_raise")
        yield from self._buttons()


def make(folder: Path) -> None:
    """Writes every log into a folder."""
    document = read_machine(MACHINE)
    digest = document.digest
    for name, (fault, begins, seed, scans) in HIDDEN.items():
        path = folder / name
        path.unlink(missing_ok=True)
        simulation = Simulation(document.machine, seed=seed)
        driver = Driver(simulation, seed)
        with Recorder(
            path, simulation.executive, machine=document.machine.machine, digest=digest,
            clock=lambda: STARTED,
        ) as recorder:  # fmt: skip
            recorder.event("remark", "invented data, made by the simulator")
            for scan in range(scans):
                if fault and scan == begins:
                    simulation.inject(parse_disturbance(fault, document.machine))
                driver.act()
                simulation.step()
                recorder.record()


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
