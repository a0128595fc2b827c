"""What the C engine of a search over sets answers to: its functions and structures."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

StoredSet = tuple[tuple[int, ...], int, tuple[int, ...]]
"""A key, a dimension and bounds."""


class Confirmation(Enum):
    """Whether what a search over sets reports happens."""

    CONFIRMED = 1
    IMPOSSIBLE = 2  # an exact search came to its end without it
    NOT_FOUND = 3


class Summary(ctypes.Structure):
    """What a search came to."""

    _fields_ = (
        *(
            (name, ctypes.c_ulonglong)
            for name in ("keys", "sets", "expanded", "steps", "loops", "joins", "bytes")
        ),
        *((name, ctypes.c_int) for name in ("exhausted", "fault", "out_of_memory")),
    )


@dataclass(frozen=True, slots=True)
class Growth:
    """What came of growing the sets from which a goal is reached.

    Attributes:
        everywhere: whether they hold all that is stored; None if that was cut short.
        transitions: steps of the stored sets.
        pieces: sets that were grown.
        left: keys of which something was left over.
        given_up: how often a piece was made smaller than it is.
        bytes: memory in use.
    """

    everywhere: bool | None
    transitions: int
    pieces: int
    left: int
    given_up: int
    bytes: int


class GrowthFigures(ctypes.Structure):
    """What came of growing, as the engine says it."""

    _fields_ = tuple(
        (name, ctypes.c_ulonglong)
        for name in ("transitions", "outside", "pieces", "parts", "left", "before", "given_up", "bytes")
    )


SAY = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.POINTER(ctypes.c_uint32), ctypes.c_uint32)


def open_library(path: Path) -> ctypes.CDLL:
    """A symbolic checker's functions."""
    c = ctypes.CDLL(str(path))
    handle, whole, wide = ctypes.c_void_p, ctypes.c_int, ctypes.c_ulonglong
    c.sy_open.restype, c.sy_open.argtypes = handle, [wide, *[whole] * 5]
    c.sy_stop_flag.restype, c.sy_stop_flag.argtypes = ctypes.POINTER(ctypes.c_int), [handle]
    c.sy_run.restype, c.sy_run.argtypes = None, [handle]
    c.sy_close.restype, c.sy_close.argtypes = None, [handle]
    c.sy_summarise.restype, c.sy_summarise.argtypes = None, [handle, ctypes.POINTER(Summary)]
    c.sy_seen.argtypes = [handle, ctypes.c_uint]
    c.sy_was_covered.argtypes = [handle, ctypes.c_uint]
    c.sy_confirm_events.restype = None
    c.sy_outcome_of.argtypes = [handle, ctypes.c_uint]
    c.sy_tell.restype, c.sy_tell.argtypes = (
        ctypes.c_long,
        [handle, ctypes.c_uint, SAY, handle, ctypes.c_long],
    )
    c.sy_stored_count.restype, c.sy_stored_count.argtypes = wide, [handle]
    ints = ctypes.POINTER(ctypes.c_int)
    c.sy_confirm_events.argtypes = [handle, ctypes.POINTER(ctypes.c_ubyte), ints, wide, wide]
    c.sy_parts_count.restype, c.sy_parts_count.argtypes = wide, [handle]
    for sets in (c.sy_stored, c.sy_left_over):
        sets.argtypes = [handle, wide, ints, ints, ints]
    c.sy_point.restype, c.sy_point.argtypes = None, [handle, ctypes.c_uint, wide, ints]
    c.sy_hold.argtypes = [handle, ints]
    c.sy_list.argtypes = [handle, wide]
    c.sy_lead_to.argtypes = [handle, whole, wide, ctypes.POINTER(GrowthFigures)]
    c.sy_confirm_rest.restype, c.sy_confirm_rest.argtypes = None, [handle, wide, wide]
    c.sy_rest.argtypes = []
    c.sy_faults_lead_to.argtypes = [
        handle, *[whole] * 4, ctypes.POINTER(ctypes.c_ubyte), ctypes.POINTER(ctypes.c_int)
    ]  # fmt: skip
    c.sy_is_lost.argtypes = [handle, ints, whole, whole, wide, ctypes.POINTER(wide)]
    return c
