"""How much may be spent on a piece of work: threads, situations, memory and time, and when to stop.

One value is handed through from the command line to every search, compiler and prover, so that what a
report says of its limits is what its tables were made with. The deadline is a moment of the monotonic
clock, not a number of seconds: whoever is handed the value sees at once what is left, and a step that
took long has shortened what follows without anybody counting.

::

    command ---- within(60 s) ----> check ----> compiler, search, stories
                      |
                      |  share(2)   side by side: half the memory and threads each, the same deadline
                      |  part(3)    one after another: a third of the time that is left now
                      v
                 stop: set by Ctrl-C or SIGTERM, the same for all of them

Work that ends early says what it covered and leaves the rest undecided.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from threading import Event, Lock, Thread
from typing import TypeVar

S = TypeVar("S")
T = TypeVar("T")

DEFAULT_BYTES = 6 << 30
"""Memory of all searches that run at the same time, where nobody says another cap."""

CLOSING = 0.5
"""Seconds to finish what is being said of work that was ended: the way to a break that was found."""

LOOK_EVERY = 0.05
"""Seconds between two looks at clock and stop flag while another thread works."""


class OutOfTime(Exception):  # noqa: N818
    """The deadline has passed or the stop flag is set: nothing is known of what was being done."""


@dataclass(frozen=True, slots=True)
class Effort:
    """What work may take. None is no limit, and for threads one a processor.

    Attributes:
        threads: of all searches that run at the same time.
        states: most situations of a search.
        bytes: most memory of all searches that run at the same time.
        deadline: on the monotonic clock, in s.
        stop: once set, whatever is still at work ends as if the deadline had passed.
    """

    threads: int | None = None
    states: int | None = None
    bytes: int = DEFAULT_BYTES
    deadline: float | None = None
    stop: Event = field(default_factory=Event, compare=False)

    def within(self, seconds: float | None) -> Effort:
        """The same with at most so many seconds from now; None leaves the time as it is."""
        if seconds is None:
            return self
        ends = time.monotonic() + seconds
        return replace(self, deadline=ends if self.deadline is None else min(ends, self.deadline))

    def share(self, count: int) -> Effort:
        """For each of so many pieces of work that run side by side."""
        return replace(self, threads=max(1, self.lines // count), bytes=self.bytes // max(1, count))

    def part(self, count: int) -> Effort:
        """For the next of so many pieces of work that run one after another: its part of the time left."""
        left = self.left()
        return self if left is None else self.within(left / max(1, count))

    def closing(self) -> Effort:
        """To finish what is being said: a moment more where the time is over, and deaf to what ended it."""
        ends = None if self.deadline is None else max(self.deadline, time.monotonic() + CLOSING)
        if self.stop.is_set():
            ends = time.monotonic() + CLOSING
        return replace(self, deadline=ends, stop=Event() if self.stop.is_set() else self.stop)

    def left(self) -> float | None:
        """Seconds to the deadline, none less than 0; None if there is none."""
        return None if self.deadline is None else max(0.0, self.deadline - time.monotonic())

    @property
    def lines(self) -> int:
        """Threads in number."""
        return self.threads or processors()

    @property
    def over(self) -> bool:
        """Whether to end: the deadline has passed, or the stop flag is set."""
        return self.stop.is_set() or (self.deadline is not None and time.monotonic() >= self.deadline)

    @property
    def ended_by(self) -> str:
        """What ended it, in the words of a verdict's reason; empty if nothing has."""
        return "interrupt" if self.stop.is_set() else "time limit" if self.over else ""

    def look(self) -> None:
        """Goes on, or not.

        Raises:
            OutOfTime: if the work is to end.
        """
        if self.over:
            raise OutOfTime


def processors() -> int:
    """Processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def apart(work: Callable[[], T], look: Callable[[], None], end: Callable[[], None]) -> T:
    """Runs work in a thread of its own, while this one looks at clock and stop flag.

    Ctrl-C reaches the main thread only, and only between two steps of Python. So it cannot come between
    the start of a compiler and the moment somebody knows of it, and is heard while a library computes.
    The work never outlives the call.

    Args:
        look: called a few times a second; what it raises ends the work.
        end: tells the work to end, once ``look`` has raised or Ctrl-C has come.

    Raises:
        BaseException: what the work, ``look`` or Ctrl-C raised.
    """
    result: list[T] = []
    wrong: list[BaseException] = []
    done, begun = Event(), Lock()

    def body() -> None:
        if not begun.acquire(blocking=False):
            return
        try:
            result.append(work())
        except BaseException as error:  # handed to who waits
            wrong.append(error)
        finally:
            done.set()

    stopped: BaseException | None = None
    try:
        Thread(target=body, name="apart", daemon=True).start()
    except BaseException as error:
        if begun.acquire(blocking=False):  # it has not begun, and never will
            raise
        stopped = error
        end()
    # Not join(): interrupted by Ctrl-C it takes a running thread for a finished one (Python 3.11).
    while not done.is_set():
        try:
            done.wait(LOOK_EVERY)
            if stopped is None:
                look()
        except BaseException as error:
            stopped = stopped or error
            end()
    if stopped is not None:
        raise stopped
    if wrong:
        raise wrong[0]
    return result[0]


def in_parallel(work: Callable[[S], T], items: Iterable[S], effort: Effort) -> Iterator[T]:
    """What work makes of each item, in their order, on as many threads as the effort has.

    Ctrl-C sets the stop flag and is then done with: the work that is left has to end by itself, as it does
    at the deadline, and what it says is given like all else.
    """
    with ThreadPoolExecutor(effort.lines) as pool:
        waiting = [pool.submit(work, item) for item in items]
        try:
            for item in waiting:
                while not item.done():
                    try:
                        wait((item,), timeout=LOOK_EVERY)
                    except KeyboardInterrupt:
                        effort.stop.set()
                yield item.result()
        except KeyboardInterrupt:
            effort.stop.set()
            raise
        finally:  # the pool waits for its threads
            for item in waiting:
                item.cancel()
