"""Logs of simulated runs as another logger would have written them: samples, CAN frames, inexact changes.

What is sampled at an instant is what the last scan before it saw and wrote. The logger knows nothing of
the scans: its rows begin at any shift.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.logs.log import NO_STATE, Change, Log, Signal, Subject, Value
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.readers.columns import ColumnMap

Scans = Sequence[Mapping[Signal, Value]]
"""What every signal was after each scan."""

LEVELS = (Subject.INPUT, Subject.OUTPUT, Subject.POWER)


def by_scan(changes: Iterable[Change], period: int) -> Scans:
    """The values after each scan of an exact log."""
    now: dict[Signal, Value] = {}
    found: list[dict[Signal, Value]] = []
    for change in changes:
        while len(found) < change.time // period:
            found.append(dict(now))
        if change.subject is not Subject.EVENT:
            now[change.subject, change.name] = change.value
    found.append(dict(now))
    return found


def samples(
    scans: Scans, period: int, every: int, shift: int
) -> Iterator[tuple[int, Mapping[Signal, Value]]]:
    """Time of each sample, and what it shows; the first comes a shift after the first scan."""
    for time in range(shift, len(scans) * period, every):
        yield time, scans[time // period]


def _text(value: Value) -> str:
    if value is None:
        return "?"
    return "-" if value == NO_STATE else str(value)


def csv_of(rows: Iterable[tuple[int, Mapping[Signal, Value]]], signals: Sequence[Signal], path: Path) -> Path:
    """A table of rows; times in milliseconds."""
    lines = [",".join(["time_ms", *(name for _, name in signals)])]
    lines += [",".join([str(time), *(_text(row.get(item)) for item in signals)]) for time, row in rows]
    path.write_text("\n".join(lines) + "\n")
    return path


def sampled_csv(scans: Scans, machine: Machine, path: Path, every: int, shift: int, **keys: object) -> Log:
    """The run as a table of samples."""
    csv_of(samples(scans, machine.scan, every, shift), _signals(scans), path)
    layout = ColumnMap.model_validate({"every": f"{every} ms", **keys}, by_name=False, by_alias=True)
    return read_log(path, machine, columns=layout)


def changed_csv(scans: Scans, machine: Machine, path: Path, accuracy: int, seed: int) -> Log:
    """The run as a table with a row wherever something changes, its time off by up to an accuracy."""
    chance = random.Random(seed)
    rows: list[tuple[int, Mapping[Signal, Value]]] = []
    for scan, row in enumerate(scans):
        if scan == 0 or row != scans[scan - 1] or scan == len(scans) - 1:
            time = scan * machine.scan + accuracy + chance.randint(-accuracy, accuracy)
            rows.append((max(time, rows[-1][0] if rows else 0), row))
    csv_of(rows, _signals(scans), path)
    layout = ColumnMap.model_validate({"accuracy": f"{2 * accuracy} ms"}, by_name=False, by_alias=True)
    return read_log(path, machine, columns=layout)


def sampled_can(scans: Scans, machine: Machine, path: Path, every: int, shift: int) -> Log:
    """The run on a CAN bus: inputs, outputs and power in frames of 16 bits, one frame after the other."""
    signals = [item for item in _signals(scans) if item[0] in LEVELS]
    groups = [signals[at : at + 16] for at in range(0, len(signals), 16)]
    described = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: X", ""]
    for number, group in enumerate(groups):
        described.append(f"BO_ {256 + number} M{number}: 2 X")
        described += [f' SG_ {name} : {bit}|1@1+ (1,0) [0|1] "" X' for bit, (_, name) in enumerate(group)] + [
            ""
        ]
    dbc = path.with_suffix(".dbc")
    dbc.write_text("\n".join(described) + "\n")
    lines = []
    for number, group in enumerate(groups):
        for time, row in samples(scans, machine.scan, every, shift + 3 * number):
            values = [row.get(item) for item in group]
            if None in values:
                continue  # a controller without power sends nothing
            data = sum(int(level or 0) << bit for bit, level in enumerate(values)).to_bytes(2, "little")
            lines.append((time, f"({time / 1000:.6f}) can0 {256 + number:03X}#{data.hex().upper()}"))
    path.write_text("\n".join(line for _, line in sorted(lines)) + "\n")
    layout = ColumnMap.model_validate({"every": f"{every} ms"}, by_name=False, by_alias=True)
    return read_log(path, machine, columns=layout, dbc=dbc)


def _signals(scans: Scans) -> list[Signal]:
    return list(dict.fromkeys(signal for row in scans for signal in row))
