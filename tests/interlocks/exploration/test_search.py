"""Checkers built side by side: Ctrl-C is heard and ends what is still being built."""

from __future__ import annotations

import signal
import threading
import time
from pathlib import Path

import pytest

from stillgate.commands.new import starter_text
from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.exploration import search
from stillgate.interlocks.loop.closed_loop import close_loop


@pytest.mark.skipif(not hasattr(signal, "pthread_kill"), reason="signals go to one thread on POSIX only")
def test_ctrl_c_is_heard_where_another_thread_is_given_the_signal(monkeypatch: pytest.MonkeyPatch) -> None:
    """As it is where the thread that waits was just going to sleep: nothing wakes it up."""
    ended: list[bool] = []

    def never_ready(*_: object, effort: Effort, **__: object) -> Path:
        time.sleep(0.2)  # until the other thread waits
        signal.pthread_kill(threading.get_ident(), signal.SIGINT)
        ended.append(effort.stop.wait(20))
        raise OutOfTime

    monkeypatch.setattr(search, "build_library", never_ready)
    machine = read_machine_text(starter_text("press"), "machine.yaml").machine
    loop = close_loop(machine, tick=machine.scan, faults=0)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a job in the background ignores it
    try:
        with pytest.raises(KeyboardInterrupt), search.checkers_of([loop]) as libraries:
            next(libraries)
    finally:
        signal.signal(signal.SIGINT, before)
    assert ended == [True]
