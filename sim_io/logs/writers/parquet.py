"""A trace as Apache Parquet through pyarrow: typed columns, the header in the file's metadata.

Levels are booleans, counts 64-bit integers, states and events texts; null is unknown, and an
empty text a sequence without power.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from stillgate.controller.errors import ToolMissing

from ..log import Log, Subject
from ..log_records import Start, encode_start
from .trace_table import TableRow, column_names, table_rows

HEADER_KEY = b"stillgate"
"""Key of the file's metadata under which the header stands, as in our own log."""

ROWS_AT_ONCE = 10_000
MISSING = "Parquet needs the library pyarrow: pip install 'stillgate[trace]'"


def write_parquet(log: Log, path: Path) -> None:
    """Writes a log as Parquet, in bounded memory.

    Raises:
        ToolMissing: if pyarrow is not installed.
        OSError: if the file cannot be written.
    """
    pa, pq = load_pyarrow()
    signals = tuple(signal for signal in log.header.signals if signal[0] is not Subject.EVENT)
    time, names, event = column_names(signals)
    types = {Subject.STATE: pa.string(), Subject.PART: pa.string(), Subject.MEMORY: pa.int64()}
    schema = pa.schema(
        [
            pa.field(time, pa.int64(), nullable=False),
            *(
                pa.field(name, types.get(signal[0], pa.bool_()))
                for signal, name in zip(signals, names, strict=True)
            ),
            pa.field(event, pa.string()),
        ],
        metadata={HEADER_KEY: encode_start(Start(log.header, 1, first=log.header.from_power_on)).encode()},
    )
    levels = [signal[0] not in types for signal in signals]
    with pq.ParquetWriter(path, schema) as writer:
        for rows in _chunks(table_rows(signals, log.changes())):
            columns: list[list[Any]] = [[row.time for row in rows]]
            for place, is_level in enumerate(levels):
                found = [row.values[place] for row in rows]
                columns.append([v if v is None else bool(v) for v in found] if is_level else found)
            columns.append([row.event or None for row in rows])
            arrays = [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            writer.write_batch(pa.record_batch(arrays, schema=schema))


def load_pyarrow() -> tuple[Any, Any]:
    """pyarrow and its part for Parquet.

    Raises:
        ToolMissing: if it is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise ToolMissing(MISSING) from None
    return pyarrow, pyarrow.parquet


def _chunks(rows: Iterator[TableRow]) -> Iterator[tuple[TableRow, ...]]:
    while chunk := tuple(islice(rows, ROWS_AT_ONCE)):
        yield chunk
