"""The mirror of the C explorer's structures, and a built checker opened through it.

Layouts follow ``run.h``, ``path_rebuild.h`` and ``explorer.c``. A library says
the sizes it was compiled with (``sg_shape``); they are held against the mirror when it is
opened, so that a change on one side only cannot go unnoticed.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import Any

from stillgate.controller.errors import ProgramFault

_SHAPE = 19  # numbers in ``sg_shape``
_PICKS = {1: ctypes.c_uint8, 2: ctypes.c_uint16, 4: ctypes.c_uint32}  # ``sg_pick`` by its bytes

GOALS_AT_ONCE = 32
"""Goals that one call of ``sg_closure_of`` judges."""


class Code(IntEnum):
    """``enum sg_status`` of ``step_api.h``."""

    COMPLETE = 0
    CAPPED_STATES = 1
    CAPPED_MEMORY = 2
    STOPPED = 3
    TOO_DEEP = 4
    TOO_MANY_CHOICES = 16
    BAD_CHOICE = 17
    UNSTEADY_STEP = 18
    STRAY_EVENT = 19
    STRAY_BITS = 20
    NO_THREAD = 32
    NO_MEMORY = 33
    NOT_FOUND = 34
    BAD_USE = 35
    INCONSISTENT = 36


_FAULTS = {
    Code.TOO_MANY_CHOICES: "a step asks more choices than were counted in it",
    Code.BAD_CHOICE: "a step asks for a choice between none, or between more than were counted in it",
    Code.UNSTEADY_STEP: "a step is not a function of its state and choices",
    Code.STRAY_EVENT: "a start state reports a broken requirement",
    Code.STRAY_BITS: "a step writes bits outside the packed state",
    Code.NO_THREAD: "the operating system gives no thread",
    Code.NO_MEMORY: "there is not enough memory for the smallest tables",
    Code.NOT_FOUND: "a state or choice that was asked for does not exist",
    Code.BAD_USE: "the explorer was called out of order",
    Code.INCONSISTENT: "the table of states is damaged",
}


def fault(code: int) -> ProgramFault:
    """What a status that is no result means."""
    words = _FAULTS.get(Code(code)) if code in Code.__members__.values() else None
    return ProgramFault(f"exploration failed: {words or f'status {code}'}")


class Options(ctypes.Structure):
    """``sg_options``."""

    _fields_ = [
        ("threads", ctypes.c_uint32),
        ("unused", ctypes.c_uint32),
        ("state_cap", ctypes.c_uint64),
        ("byte_cap", ctypes.c_uint64),
        ("first_buckets", ctypes.c_uint64),
    ]


class Counters(ctypes.Structure):
    """``sg_progress``; ``stop`` is written from here."""

    _fields_ = [
        (name, ctypes.c_uint64) for name in ("states", "transitions", "frontier", "bytes", "depth", "stop")
    ]


@dataclass(frozen=True, slots=True)
class Shape:
    """What a library was compiled for."""

    key_bits: int
    key_words: int
    breaks: int
    marks: int
    goals: int
    event_words: int
    choices: int  # that one transition may ask
    max_threads: int
    entry_bytes: int
    max_depth: int
    least_buckets: int


class Library:
    """A built checker: its shape, its functions, and the structures that depend on the shape.

    Raises:
        ProgramFault: if it cannot be loaded or was built from other sources than this file's.
    """

    def __init__(self, path: Path) -> None:
        try:
            self.functions: Any = ctypes.CDLL(str(path))
            raw = list((ctypes.c_uint32 * _SHAPE).in_dll(self.functions, "sg_shape"))
        except (OSError, ValueError) as error:
            raise ProgramFault(f"{path} cannot be used as a checker: {error}") from error
        self.shape = Shape(
            key_bits=raw[0],
            key_words=raw[1],
            breaks=raw[2],
            marks=raw[3],
            goals=raw[4],
            event_words=raw[5],
            choices=raw[6],
            max_threads=raw[7],
            entry_bytes=raw[8],
            max_depth=raw[9],
            least_buckets=raw[15],
        )
        self.Key: Any = ctypes.c_uint64 * self.shape.key_words
        self.Pick: Any = _PICKS.get(raw[18])
        if self.Pick is None:
            raise ProgramFault(f"{path} was built from other sources than this version's")
        answers = self.Pick * self.shape.choices
        self.Record: Any = _structure(
            depth=ctypes.c_uint32,
            split=ctypes.c_uint32,
            picks=ctypes.c_uint32,
            pick=answers,
            start=self.Key,
        )
        self.Summary: Any = _structure(
            states=ctypes.c_uint64,
            transitions=ctypes.c_uint64,
            bytes=ctypes.c_uint64,
            levels=ctypes.c_uint64,
            stuck=ctypes.c_uint64,
            stuck_depth=ctypes.c_uint32,
            deepest=ctypes.c_uint32,
            stuck_key=self.Key,
        )
        self.Transition: Any = _structure(
            to=self.Key,
            events=ctypes.c_uint64 * self.shape.event_words,
            split=ctypes.c_uint32,
            picks=ctypes.c_uint32,
            pick=answers,
            size=answers,
        )
        self.Way: Any = _structure(split=ctypes.c_uint32, picks=ctypes.c_uint32, pick=answers)
        self.Unable: Any = _structure(states=ctypes.c_uint64, depth=ctypes.c_uint64, key=self.Key)
        mirror = (Options, Counters, self.Summary, self.Record, self.Transition)
        sizes = [ctypes.sizeof(item) for item in (*mirror, self.Way, self.Unable)]
        if sizes != [*raw[10:15], *raw[16:18]]:
            raise ProgramFault(f"{path} was built from other sources than this version's")
        self._declare()

    def _declare(self) -> None:
        lib, void, u64 = self.functions, ctypes.c_void_p, ctypes.c_uint64
        lib.sg_open.restype = void
        lib.sg_open.argtypes = [ctypes.POINTER(Options), ctypes.POINTER(ctypes.c_int)]
        lib.sg_close.argtypes = [void]
        lib.sg_progress_of.restype = ctypes.POINTER(Counters)
        lib.sg_progress_of.argtypes = [void]
        lib.sg_explore.argtypes = [void]
        lib.sg_summary_of.argtypes = [void, void]
        lib.sg_record_of.argtypes = [void, ctypes.c_uint32, void]
        lib.sg_marks_of.restype = ctypes.POINTER(ctypes.c_uint8)
        lib.sg_marks_of.argtypes = [void]
        lib.sg_levels_of.restype = ctypes.POINTER(u64)
        lib.sg_levels_of.argtypes = [void]
        lib.sg_each.restype = u64
        lib.sg_each.argtypes = [void, u64, void, void]
        lib.sg_depth_of.restype = ctypes.c_int64
        lib.sg_depth_of.argtypes = [void, void]
        lib.sg_stories_of.argtypes = [void, u64, void, void, void, void]
        lib.sg_closure_of.argtypes = [void, ctypes.c_uint32, ctypes.c_uint32, void]
        lib.sg_successors.argtypes = [void, u64, void, ctypes.POINTER(u64)]
        lib.sg_step.argtypes = [void, void, ctypes.c_uint32, void]
        lib.sg_step_drawn.argtypes = [void, u64, void]
        lib.sg_follow.argtypes = [void, void, u64, ctypes.c_int, void]
        lib.sg_check.argtypes = [void]

    def key(self, number: int) -> Any:
        """A packed state as the library takes it."""
        if not 0 <= number < 1 << self.shape.key_bits:
            raise fault(Code.STRAY_BITS)
        return self.Key(*(number >> (64 * i) & (1 << 64) - 1 for i in range(self.shape.key_words)))


def key_number(words: Any) -> int:
    """A packed state as one number."""
    number = 0
    for word in reversed(words):
        number = number << 64 | word
    return number


def _structure(**fields: Any) -> Any:
    return type("Structure", (ctypes.Structure,), {"_fields_": list(fields.items())})
