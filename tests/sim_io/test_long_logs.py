"""Logs of a hundred megabytes are read in bounded memory, with progress."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from recordings import TEXT, door
from stillgate.sim_io.logs.log import LogHeader, signals_of
from stillgate.sim_io.logs.log_records import Record, RecordKind, Start, encode_start, encode_values

MOST_MEMORY = 150 * 2**20
"""Bytes; the libraries alone take half of it."""

READ = """
import sys, time
from pathlib import Path
from stillgate.controller.reading.reader import read_machine
from stillgate.sim_io.logs.readers.open_any import read_log
from stillgate.sim_io.logs.readers.columns import ColumnMap

folder, name = Path(sys.argv[1]), sys.argv[2]
can = name.endswith("txt")
layout = ColumnMap.model_validate({"columns": {"Pins.button": "button"}} if can else {})
told = []
log = read_log(folder / name, read_machine(folder / "door.yaml").machine, columns=layout,
               dbc=folder / "bus.dbc" if can else None, progress=lambda done, size: told.append(done))
begun = time.process_time()
changes = sum(1 for _ in log.changes())
seconds = time.process_time() - begun
# Not getrusage: on Linux its peak is inherited from the process that started this one.
lines = Path("/proc/self/status").read_text().splitlines()
peak = next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))
assert told == sorted(told)
print(changes, len(log.trouble()), len(told), peak, f"{seconds:.2f}")
"""


def own(random_: random.Random) -> Iterator[bytes]:
    header = LogHeader("door", "d" * 64, "1", 20, "2026-01-01T00:00:00.000+00:00", signals_of(door()))
    yield Record(0, 0, RecordKind.LOG, encode_start(Start(header, 1, True))).encoded()
    number = 0
    while True:
        number += 1
        values = [("button", number % 2), ("leaf", "moving" if number % 3 else "resting")]
        yield Record(number, 20 * number, RecordKind.SET, encode_values(values)).encoded()


def sampled(random_: random.Random) -> Iterator[bytes]:
    yield b"time_ms,button,shut,low_pin,motor,lamp,strokes,leaf\n"
    time, row = 0, "0,0,0,0,0,0,resting"
    while True:
        time += 20
        if random_.random() < 0.05:
            row = f"{time // 20 % 2},{random_.randrange(2)},0,1,0,{time % 5},moving"
        yield f"{time},{row}\n".encode()


def candump(random_: random.Random) -> Iterator[bytes]:
    time = 1_700_000_000.0
    while True:
        time += 0.01
        yield f"({time:.6f}) can0 1F0#0{random_.randrange(2)}\n".encode()


@pytest.mark.parametrize("size", [400_000, pytest.param(100 * 10**6, marks=pytest.mark.night)])
@pytest.mark.parametrize(("name", "lines"), [("a.log", own), ("a.csv", sampled), ("a.txt", candump)])
@pytest.mark.skipif(sys.platform != "linux", reason="measures in /proc")
def test_a_long_log_is_read_in_bounded_memory(
    tmp_path: Path, name: str, lines: Callable[[random.Random], Iterator[bytes]], size: int
) -> None:
    (tmp_path / "door.yaml").write_text(TEXT)
    (tmp_path / "bus.dbc").write_text('BU_: A\nBO_ 496 Pins: 1 A\n SG_ button : 0|1@1+ (1,0) [0|1] "" A\n')
    with (tmp_path / name).open("wb") as stream:
        written = 0
        for line in lines(random.Random(1)):
            written += stream.write(line)
            if written >= size:
                break
    done = subprocess.run(
        [sys.executable, "-P", "-c", READ, str(tmp_path), name], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    changes, trouble, reports, peak = map(int, done.stdout.split()[:4])
    print(
        f"{name}: {size / 1e6:.0f} MB, {done.stdout.split()[4]} s of processor time, {peak / 2**20:.0f} MiB"
    )
    assert changes > size / 10_000
    assert trouble == 0
    assert reports >= size // 2**20 - 1
    assert peak < MOST_MEMORY
