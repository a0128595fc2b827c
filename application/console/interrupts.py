"""What Ctrl-C, SIGTERM and a closed terminal do to a command: it ends within two seconds, with its status.

::

    signal ---> stop flag: searches, compilers and provers end, what was found is printed
      +0   s    KeyboardInterrupt at once, in a command that takes no stop flag; at the second signal in any
      +1   s    KeyboardInterrupt, in a command that has not ended by its stop flag
      +1.7 s    the process ends, wherever it is: temporary folders are removed, compilers have ended before

The exit status is 128 and the number of the signal (POSIX shells): 130 for SIGINT, 143 for SIGTERM.

A handler in Python runs in the main thread only, and not before that has left a library. So a thread
of its own is told of signals by the system, sets the stop flag and looks at the clock. Signals are of a
process, and so is the one value here; only the command line installs it, the library never does.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from contextlib import suppress
from threading import Event, Thread, main_thread
from types import FrameType

PATIENCE = 1.0
"""Seconds for a command to end by its stop flag."""

LAST = 1.7
"""Seconds after which the process ends wherever it is."""

_AGAIN = 0.2
"""Seconds after which the main thread is told again: a library may have swallowed what it was told."""

NUMBERS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class _Signals:
    """What has been received, and whether the command takes a stop flag."""

    def __init__(self) -> None:
        self.first: int | None = None
        self.count = 0
        self.stop = Event()
        self.taken = False  # a command has taken the stop flag and looks at it
        self.over = False  # the command has ended: nothing more is to be raised

    def install(self) -> None:
        reading, writing = os.pipe()
        os.set_blocking(writing, False)
        signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
        for number in NUMBERS:
            if signal.getsignal(number) != signal.SIG_IGN:  # of a job in the background
                signal.signal(number, self.hear)
        sys.unraisablehook = _unraisable
        Thread(target=self.watch, args=(reading,), name="signals", daemon=True).start()

    def hear(self, number: int, frame: FrameType | None) -> None:
        """In the main thread, as soon as it runs Python."""
        self.note(number)
        self.count += 1
        if not self.over and (self.count > 1 or not self.taken):
            raise KeyboardInterrupt

    def note(self, number: int) -> None:
        if self.first is None:
            self.first = number
        self.stop.set()

    def watch(self, reading: int) -> None:
        """In a thread of its own: waits for the first signal, then for the command to end."""
        while (number := os.read(reading, 1)[0]) not in NUMBERS:
            pass
        began = time.monotonic()
        self.note(number)
        time.sleep(PATIENCE)
        while time.monotonic() < began + LAST:
            if not self.over:
                _tell_main_thread(number)
            time.sleep(_AGAIN)
        _end(128 + number)


_SIGNALS = _Signals()


def install() -> None:
    """Takes the signals of this process; for the command line."""
    _SIGNALS.install()


def heard() -> bool:
    """Whether a signal has come: what goes wrong after it goes wrong by it, in an import for one."""
    return _SIGNALS.first is not None


def stop_flag() -> Event:
    """The flag that a signal sets. Who asks for it ends by it, and is not interrupted elsewhere at first."""
    _SIGNALS.taken = True
    return _SIGNALS.stop


def status_of(status: int) -> int:
    """The exit status of a command that has ended: of the signal, if one came before its end."""
    _SIGNALS.over = True
    for number in NUMBERS:  # all is said and done; Python gives its handlers back before the process ends
        if signal.getsignal(number) == _SIGNALS.hear:
            signal.signal(number, signal.SIG_IGN)
    # Python ends itself by SIGINT, whatever the status, where KeyboardInterrupt has left the text of an exec,
    # of which dataclasses are made. The next exec makes it forget that.
    exec("")
    return status if _SIGNALS.first is None else 128 + _SIGNALS.first


def _tell_main_thread(number: int) -> None:
    """Wakes it, too, where the system can."""
    thread = main_thread().ident
    if hasattr(signal, "pthread_kill") and thread is not None:
        signal.pthread_kill(thread, number)
    else:
        signal.raise_signal(number)


def _unraisable(found: sys.UnraisableHookArgs) -> None:
    """An interrupt that came where nothing can be raised is told again, and nothing to be printed.

    Nor is what it left half made, and cannot be taken down for it.
    """
    if not heard() and not issubclass(found.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(found)


def _end(status: int) -> None:
    """Ends the process without the main thread, which does not come back from where it is."""
    import atexit

    with suppress(Exception):
        os.write(sys.__stderr__.fileno() if sys.__stderr__ else 2, b"stillgate: interrupted\n")
    with suppress(Exception):
        atexit._run_exitfuncs()  # removes temporary folders
    os._exit(status)
