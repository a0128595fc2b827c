"""People who work a whole machine, by chance: what a log is of that a technician gets to see.

A day is a number of rounds. In a round everything that the machine can do is done at least once,
in an order and with times drawn from a seed: whole cycles, each control, and the mishaps of a
working day (somebody presses the emergency stop while a cylinder moves, the driver gets up, a
button is let go too early). Where the machine does not get on, everything is tried that might
help, some times over; then the day is over, and somebody is called.

The person sees in which states the machine is, as lamps, noise and motions tell, and nothing of
what is wrong with it. Invented, for the machines of ``machines/``.
"""

from __future__ import annotations

import random
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator

from stillgate.sim_io.simulation.simulation import Simulation

Deed = Callable[[], Iterator[int]]
"""Something done at the controls; yields how many scans pass before it goes on."""

MOST_TRIES = 6
"""Attempts to get on, one after the other, before somebody is called."""

MOST_DEEDS = 40
"""Steps onward in a round, after which it leads nowhere."""


class Day(ABC):
    """Somebody at work.

    Args:
        simulation: of the machine, without another operator.
        seed: of what is done when, and of how long everything takes.

    Attributes:
        rounds: how many are over.
        given_up: whether everything was tried in vain in the last round.
    """

    def __init__(self, simulation: Simulation, seed: int) -> None:
        self.rounds = 0
        self.given_up = False
        self._simulation = simulation
        self._random = random.Random(seed)
        self._left: dict[str, list[Deed]] = {}
        self._deeds = self._work()
        self._pause = 0

    def act(self) -> None:
        """To be called before every scan."""
        while self._pause == 0:
            self._pause = next(self._deeds)
        self._pause -= 1

    # -- one round ---------------------------------------------------------------------------

    @abstractmethod
    def _begin(self) -> Iterator[int]:
        """What is done first in the morning."""

    @abstractmethod
    def _mishaps(self) -> dict[str, list[Deed]]:
        """What happens once in a round, by the state in which it does."""

    @abstractmethod
    def _onward(self) -> dict[str, Deed]:
        """How the work goes on from a state; a state that is missing is waited in."""

    @abstractmethod
    def _help(self) -> Iterator[int]:
        """What one tries when the machine does not get on."""

    @abstractmethod
    def _state(self) -> str:
        """What the machine does, as the person sees it."""

    def _work(self) -> Iterator[int]:
        yield from self._begin()
        while True:
            self._left = self._mishaps()
            yield from self._round()
            self.rounds += 1

    def _round(self) -> Iterator[int]:
        """Until everything has happened and the work was done without a mishap, or nothing helps."""
        deeds, tries, waited, whole = 0, 0, 0, set(self._onward())
        while (any(self._left.values()) or whole) and tries < MOST_TRIES and deeds < MOST_DEEDS:
            state = self._state()
            mishaps = self._left.get(state, [])
            if mishaps and self._random.random() < 0.6:
                waited = 0
                yield from mishaps.pop(self._random.randrange(len(mishaps)))()
            elif state in self._onward():
                tries = waited = 0
                deeds += 1
                whole.discard(state)
                yield from self._onward()[state]()
            else:
                waited += 1
                if waited > 8:
                    tries, waited = tries + 1, 0
                    yield from self._help()
            yield self._for(0.2)
        self.given_up = tries >= MOST_TRIES or deeds >= MOST_DEEDS

    # -- hands -------------------------------------------------------------------------------

    def _set(self, **levels: bool) -> None:
        for name, on in levels.items():
            self._simulation.set_input(name, on)

    def _for(self, seconds: float) -> int:
        """Scans of a time that varies by a quarter, one at least."""
        return max(1, round(seconds * self._random.uniform(0.8, 1.25) * 1000 / self._simulation.machine.scan))

    def _hold(self, seconds: float, **at_rest: bool) -> Iterator[int]:
        """Turns controls for a time and then back to the level they are given with."""
        self._set(**{name: not level for name, level in at_rest.items()})
        yield self._for(seconds)
        self._set(**at_rest)

    def _until(self, seconds: float, *states: str) -> Iterator[int]:
        """Waits until the machine is in one of some states, not for ever."""
        for _ in range(self._for(seconds)):
            if self._seen() & set(states):
                return
            yield 1

    def _seen(self) -> set[str]:
        """The active states, as ``sequence.state``."""
        return {f"{name}.{state}" for name, state in self._simulation.executive.states.items()}


class HarvesterDay(Day):
    """A driver of the lavender harvester: cuts, fills the frame, unloads it, takes the next one."""

    def _state(self) -> str:
        return self._simulation.executive.states["harvest"] or ""

    def _begin(self) -> Iterator[int]:
        self._set(seat_1=True, seat_2=True, lever_neutral=True, frame_waiting=True)
        yield self._for(1.0)

    def _onward(self) -> dict[str, Deed]:
        return {"ready": self._restart, "cutting": self._drive, "frame_full": self._unload}

    def _mishaps(self) -> dict[str, list[Deed]]:
        return {
            "ready": [self._raise, self._lower_and_raise, self._restart_too_long, self._stop_the_horn],
            "cutting": [self._estop, self._get_up, self._lost_the_row, self._raise, self._frame_buttons],
            "rail_full": [self._stop_the_index],
            "frame_full": [self._stop_the_arms, self._estop],
            "stopped": [self._estop, self._feed_in_two],
        }

    # -- the work ----------------------------------------------------------------------------

    def _restart(self) -> Iterator[int]:
        yield from self._hold(0.25, restart=False)
        yield from self._until(2.0, "harvest.cutting", "harvest.rail_full", "harvest.frame_full")

    def _drive(self) -> Iterator[int]:
        """Stalks touch a feeler now and then."""
        side = self._random.choice(("row_left", "row_right", ""))
        if side:
            yield from self._hold(0.12, **{side: False})

    def _unload(self) -> Iterator[int]:
        yield self._for(1.2)
        yield from self._lower_and_raise()
        yield from self._frame_buttons()

    def _lower_and_raise(self) -> Iterator[int]:
        yield from self._lever("lever_lower")
        yield from self._raise()

    def _raise(self) -> Iterator[int]:
        yield from self._lever("lever_raise")

    def _lever(self, way: str, seconds: float = 0.6) -> Iterator[int]:
        yield from self._hold(seconds, lever_neutral=True, **{way: False})
        yield self._for(0.5)

    def _frame_buttons(self, seconds: float = 0.9) -> Iterator[int]:
        yield from self._hold(seconds, frame_button_1=False, frame_button_2=False)
        yield self._for(0.6)

    # -- mishaps -----------------------------------------------------------------------------

    def _estop(self) -> Iterator[int]:
        yield from self._hold(0.6, estop_1=True, estop_2=True)

    def _get_up(self) -> Iterator[int]:
        yield from self._hold(0.8, seat_1=True, seat_2=True)

    def _lost_the_row(self) -> Iterator[int]:
        yield from self._hold(0.6, **{self._random.choice(("row_left", "row_right")): False})

    def _restart_too_long(self) -> Iterator[int]:
        yield from self._hold(1.0, restart=False)

    def _stop_the_horn(self) -> Iterator[int]:
        yield from self._hold(0.25, restart=False)
        yield self._for(0.2)
        yield from self._estop()

    def _stop_the_index(self) -> Iterator[int]:
        """The cylinder stands between its ends; the frame buttons bring it home."""
        yield from self._until(2.0, "frames.index_out", "frames.index_back")
        yield self._random.randrange(2, 15)
        yield from self._estop()
        yield self._for(0.6)
        yield from self._frame_buttons()

    def _stop_the_arms(self) -> Iterator[int]:
        yield self._for(1.2)
        self._set(lever_neutral=False, lever_lower=True)
        yield self._random.randrange(8, 18)
        yield from self._estop()
        self._set(lever_neutral=True, lever_lower=False)
        yield self._for(0.5)
        yield from self._unload()

    def _feed_in_two(self) -> Iterator[int]:
        """The next frame stands askew in between; there is oil for it a second time."""
        yield self._for(1.2)
        yield from self._lower_and_raise()
        yield from self._frame_buttons(0.1)
        yield self._for(0.6)
        yield from self._frame_buttons()

    def _help(self) -> Iterator[int]:
        for deed in self._random.sample((self._estop, self._get_up, self._raise, self._frame_buttons), 2):
            yield from deed()
        yield from self._lower_and_raise()
        yield from self._frame_buttons()
        yield from self._hold(0.25, restart=False)


class SawDay(Day):
    """Somebody at the guarded saw: resets, starts, saws, stops, opens the guard."""

    def _state(self) -> str:
        return self._simulation.executive.states["saw"] or ""

    def _begin(self) -> Iterator[int]:
        self._set(stop_ok_1=True, stop_ok_2=True)
        yield self._for(2.0)

    def _onward(self) -> dict[str, Deed]:
        return {"stopped": self._reset, "ready": self._start, "running": self._saw_and_stop}

    def _mishaps(self) -> dict[str, list[Deed]]:
        return {
            "stopped": [self._open, self._open, self._start, self._stop, self._reset_too_long],
            "ready": [self._open, self._start_too_long],
            "running": [self._open, self._open, self._reset],
        }

    def _reset(self) -> Iterator[int]:
        yield self._for(1.5)
        yield from self._hold(0.4, reset=False)

    def _start(self) -> Iterator[int]:
        yield from self._hold(0.3, start=False)
        yield self._for(0.4)

    def _stop(self) -> Iterator[int]:
        yield from self._hold(0.5, stop_ok_1=True, stop_ok_2=True)

    def _saw_and_stop(self) -> Iterator[int]:
        yield self._for(1.5)
        yield from self._stop()

    def _open(self) -> Iterator[int]:
        """Asks for the guard, and does something behind it for a while."""
        yield from self._hold(4.0, open_request=False)
        yield self._for(0.6)

    def _reset_too_long(self) -> Iterator[int]:
        yield from self._hold(2.5, reset=False)

    def _start_too_long(self) -> Iterator[int]:
        yield from self._hold(1.5, start=False)

    def _help(self) -> Iterator[int]:
        yield from self._stop()
        yield from self._open()
        yield from self._reset()


DAYS: dict[str, type[Day]] = {"lavender_harvester": HarvesterDay, "guarded_saw": SawDay}
"""By the name of the machine."""
