"""Reads CAN logs (candump text, ASC, BLF): frames, decoded with a database, become signals.

A signal is called ``Message.Signal`` in the column map, or ``Signal`` alone where only one
message has it. Identifiers are taken exactly as the database has them; groups of identifiers
(J1939 parameter groups sent by several nodes) need an entry a node.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stillgate.controller.errors import ToolMissing, UsageError
from stillgate.controller.expressions.durations import shorten
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.plain_files import is_endless

from ..log import Change, Log, LogHeader, Subject
from ..log_trouble import TroubleBook, TroubleKind
from .can_frames import (
    MISSING,
    CanFormat,
    CanFrame,
    asc_frames,
    blf_frames,
    can_format,
    candump_frames,
    load_can,
)
from .columns import ColumnMap
from .lines import LOOKED_AT, Lines, Progress, start_of
from .rows import Raw, Row, RowReading
from .signals import KnownSignals, few, not_there
from .timestamps import EPOCH, FAR, LAST, MILLISECOND
from .values import SignalReader, signal_reader

if TYPE_CHECKING:
    from cantools.database.can import Database

MOST_REMEMBERED = 10_000
"""Contents of frames whose decoding is kept: most frames only repeat."""

FrameKey = tuple[int, bool]
"""Identifier of a frame, and whether it is an extended one."""

Cells = tuple[tuple[SignalReader, ...], tuple[Raw, ...]]
"""The signals that a frame carries, and what they are."""


@dataclass(frozen=True)
class _Wanted:
    """A message of the database that carries signals of the machine."""

    decode: Callable[..., Any]
    readers: tuple[tuple[str, SignalReader], ...]  # by name of the signal in the message


def open_can_log(
    path: Path,
    size: int,
    machine: Machine,
    layout: ColumnMap,
    *,
    dbc: Path | None,
    progress: Progress | None = None,
) -> Log:
    """A log of a CAN bus.

    Args:
        path: candump text, ASC or BLF.
        size: how many of its bytes are read.
        machine: whose signals are looked for.
        layout: which signal of which message is which signal of the machine.
        dbc: the database that describes the frames.
        progress: told how many bytes of how many have been read.

    Raises:
        UsageError: without a database, if it cannot be read, or gives no signal of the machine.
        ToolMissing: if python-can or cantools is not installed.
    """
    if dbc is None:
        raise UsageError(f"{path}: this is a CAN log; name the database that describes its frames with --dbc")
    load_can()
    database = _database(dbc)
    known = KnownSignals(machine)
    wanted = _wanted(dbc, database, layout, known, machine)
    described = {(message.frame_id, message.is_extended_frame) for message in database.messages}
    readers = tuple(reader for item in wanted.values() for _, reader in item.readers)
    with _frames(path, size, TroubleBook(), None) as frames:
        first = next((frame for frame in frames if abs(frame.message.timestamp) * 1000 <= LAST), None)
    if first is None:
        raise UsageError(f"{path}: there is no frame in it that can be read")
    zero, started = _zero(_milliseconds(first.message.timestamp))
    header = LogHeader(
        machine=machine.machine,
        scan=machine.scan,
        started=started,
        signals=tuple(dict.fromkeys((reader.subject, reader.name) for reader in readers)),
        zero=f"{first.message.timestamp:.6f} s" if zero else "",
        from_power_on=layout.from_power_on,
        timing=layout.timing(machine.scan),
    )

    def read(book: TroubleBook, *, repeats: bool = False) -> Iterator[Change]:
        reading = RowReading(
            layout, readers, zero, book, str(path),
            scan=machine.scan, timing=header.timing, repeats=repeats,
        )  # fmt: skip
        with _frames(path, size, book, progress) as frames:
            yield from reading.changes(_rows(frames, wanted, described, book))

    return Log(header, read, path, partial(read, repeats=True))


def _zero(first: Milliseconds) -> tuple[Milliseconds, str]:
    """Times that count from 1970 begin at 0; small ones are kept as the file has them."""
    if 0 <= first < FAR:
        return 0, ""
    return first, (EPOCH + first * MILLISECOND).isoformat(timespec="milliseconds")


@contextmanager
def _frames(
    path: Path, size: int, book: TroubleBook, progress: Progress | None
) -> Iterator[Iterator[CanFrame]]:
    """The frames of a file, whichever of the formats it has."""
    match can_format(start_of(path, LOOKED_AT)):
        case CanFormat.BLF:
            with path.open("rb") as stream:
                yield blf_frames(stream, size, book, progress)
        case CanFormat.CANDUMP:
            yield candump_frames(Lines(path, size, progress), book)
        case _:
            yield asc_frames(Lines(path, size, progress), book)


def _rows(
    frames: Iterator[CanFrame], wanted: dict[FrameKey, _Wanted], described: set[FrameKey], book: TroubleBook
) -> Iterator[Row]:
    """A row for every frame that carries a signal of the machine."""
    remembered: dict[tuple[FrameKey, bytes], Cells] = {}
    for frame in frames:
        message = frame.message
        if message.is_error_frame:
            book.note(TroubleKind.BUS_ERROR, frame.line, "error frame")
        if message.is_error_frame or message.is_remote_frame:
            continue
        if not abs(message.timestamp) * 1000 <= LAST:
            book.note(TroubleKind.UNREADABLE, frame.line, f"no time: {message.timestamp}")
            continue
        key = (message.arbitration_id, message.is_extended_id)
        item = wanted.get(key)
        if item is None:
            if key not in described:
                book.note(TroubleKind.UNKNOWN_ID, frame.line, f"0x{key[0]:03X}{'x' if key[1] else ''}")
            continue
        data = bytes(message.data)
        cells = remembered.get((key, data))
        if cells is None:
            try:
                cells = _decoded(item, data)
            except Exception as error:  # cantools raises what bitstruct and its own classes do
                said = f"0x{key[0]:03X} {data.hex(' ')}: {error}"
                book.note(TroubleKind.NOT_DECODED, frame.line, said)
                continue
            if len(remembered) < MOST_REMEMBERED:
                remembered[key, data] = cells
        yield Row(_milliseconds(message.timestamp), frame.line, *cells)


def _decoded(item: _Wanted, data: bytes) -> Cells:
    """The signals of one frame; names of states where the database has them."""
    found = item.decode(data, decode_choices=True)
    if not isinstance(found, dict):
        raise ValueError("a container of messages")
    cells: list[tuple[SignalReader, Raw]] = []
    for name, reader in item.readers:
        value = found.get(name)  # None: a multiplexed signal that this frame does not carry
        if value is None:
            continue
        named = getattr(value, "name", None)
        if named is not None and reader.subject is Subject.STATE:
            cells.append((reader, str(named)))
        else:
            number: Any = getattr(value, "value", value)
            cells.append((reader, float(number)))
    return tuple(reader for reader, _ in cells), tuple(raw for _, raw in cells)


def _wanted(
    dbc: Path, database: Database, layout: ColumnMap, known: KnownSignals, machine: Machine
) -> dict[FrameKey, _Wanted]:
    """The messages that carry signals of the machine.

    Raises:
        UsageError: for an entry of the map that the database does not have, a name that
            several messages have, or if nothing is a signal of the machine.
    """
    homes: dict[str, list[str]] = {}
    for message in database.messages:
        for signal in message.signals:
            homes.setdefault(signal.name, []).append(f"{message.name}.{signal.name}")
            homes.setdefault(f"{message.name}.{signal.name}", []).append(f"{message.name}.{signal.name}")
    missing = [name for name in layout.columns if name not in homes]
    if missing:
        raise UsageError(f"{dbc}: there is no signal {not_there(missing, homes)}")
    chosen: dict[str, SignalReader] = {}
    for name, places in homes.items():
        reader = signal_reader(name, layout, known, machine)
        if reader is None:
            continue
        if len(places) > 1:
            raise UsageError(f"{dbc}: '{name}' is in {few(places)}; say in the column map which one is meant")
        if places[0] in chosen and chosen[places[0]].name != reader.name:
            raise UsageError(f"{dbc}: '{places[0]}' stands in the column map as two signals of the machine")
        chosen[places[0]] = reader
    if not chosen:
        KnownSignals(machine, ()).require_some(str(dbc), (name for name in homes if "." in name))
    found = {}
    for message in database.messages:
        readers = tuple(
            (signal.name, chosen[place])
            for signal in message.signals
            if (place := f"{message.name}.{signal.name}") in chosen
        )
        if readers:
            found[message.frame_id, message.is_extended_frame] = _Wanted(message.decode, readers)
    return found


def _database(path: Path) -> Database:
    try:
        import cantools
        from cantools.database.can import Database as CanDatabase
        from cantools.database.errors import Error
    except ImportError:
        raise ToolMissing(MISSING) from None
    if is_endless(path):
        raise UsageError(f"{path}: the database cannot be read: it is not a regular file")
    try:
        found = cantools.database.load_file(str(path), prune_choices=False)
    except OSError as error:
        raise UsageError(f"{path}: the database cannot be read: {(error.strerror or '').lower()}") from None
    except ValueError:  # neither its name nor its content tells what it is
        raise UsageError(f"{path}: this is no CAN database; name a file in the DBC format") from None
    except Error as error:
        raise UsageError(
            f"{path}: this is no CAN database that can be read: {shorten(str(error), 160)}"
        ) from None
    if not isinstance(found, CanDatabase):
        raise UsageError(f"{path}: this describes diagnostics, not the frames of a bus")
    return found


def _milliseconds(seconds: float) -> Milliseconds:
    """Rounded down, after rounding to the microsecond that such logs are written with."""
    return round(seconds * 1_000_000) // 1000
