"""The column map: how a foreign log is laid out, and which of its columns is which signal.

::

    time: {column: Zeit, as: date-time, format: '%d.%m.%Y %H:%M:%S.%f', zone: Europe/Berlin}
    delimiter: ';'
    every: 100 ms
    columns:
      DI 07: cutter_still
      DI 08: {signal: estop_1, inverted: true}

Columns that are already called like a signal need no entry. What the map leaves open and the
file does not settle is asked for by name; nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Iterable
from encodings.aliases import aliases
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from stillgate.controller.errors import MachineFileError, Problem, UsageError
from stillgate.controller.expressions.durations import shorten
from stillgate.controller.machine_file.field_types import Duration, Milliseconds
from stillgate.controller.machine_file.fields import about
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.plain_files import is_endless
from stillgate.controller.reading.positions import Positions
from stillgate.controller.reading.source import Mapping, Scalar, SourceError, Text, data_of, read_source
from stillgate.controller.rules.namespace import nearest_hint

from ..log import EXACT, RowMeaning, Timing, signals_of
from .signals import not_there

LARGEST_MAP = 2**20
"""Bytes of a column map."""


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, populate_by_name=True)


class TimeColumn(_Section):
    """Where the times are, and how they are written."""

    column: Annotated[
        str | None, about("Name of the column with the times; else one called 'time' and the like.", "Zeit")
    ] = None
    kind: Annotated[
        Literal["s", "ms", "us", "ns", "date-time"] | None,
        about("Unit of a number, or 'date-time'; else told by the column's name, such as time_ms.", "ms"),
    ] = Field(default=None, alias="as")
    format: Annotated[
        str | None,
        about("Form of a date-time in the codes of strptime; else ISO 8601.", "%d.%m.%Y %H:%M:%S"),
    ] = None
    zone: Annotated[
        str | None,
        about("Time zone of date-times that do not say theirs (IANA name).", "Europe/Berlin"),
    ] = None


class SignalColumn(_Section):
    """What a column is, where its signal alone does not say it."""

    signal: Annotated[str, about("The signal, sequence or memory of the machine.", "cutter_still")]
    inverted: Annotated[bool, about("The column is 0 while the signal is true.", True)] = False
    above: Annotated[
        float | None, about("The signal is true while the number is greater than this.", 12.0)
    ] = None


class ColumnMap(_Section):
    """How a log is laid out."""

    time: Annotated[TimeColumn, about("Where the times are.", {"column": "Zeit", "as": "s"})] = TimeColumn()
    delimiter: Annotated[
        str | None, about("What stands between two columns; else the one that the header has.", ";")
    ] = None
    decimal: Annotated[
        Literal[".", ","] | None, about("Mark before the decimals of a number; else the point.", ",")
    ] = None
    encoding: Annotated[
        str,
        about("Encoding of the text, one in which a line break is one byte; so not UTF-16.", "cp1252"),
    ] = "utf-8"
    name: Annotated[
        str | None, about("Column that names a signal, where every row is one signal's change.", "Signal")
    ] = None
    value: Annotated[str | None, about("Column with the value of the signal named.", "Wert")] = None
    every: Annotated[
        Duration | None,
        about(
            "Time between two sampled rows; a longer pause is a gap. A row then says what was so at its "
            "instant, and nothing is known between two rows.",
            "100 ms",
        ),
    ] = None
    accuracy: Annotated[
        Duration | None,
        about(
            "By how much the time of a row may differ from that of the scan which saw an input or wrote an "
            "output, counted from time 0 in whole scans; '0 ms' only where the controller writes the log "
            "itself. Without 'every' it also says that a row stands wherever something changes, so that "
            "values last until the next row. If left out: one scan, and rows are samples.",
            "20 ms",
        ),
    ] = None
    empty: Annotated[
        Literal["unknown", "as before"],
        about("What an empty cell means: 'unknown', or 'as before'.", "as before"),
    ] = "unknown"
    begins: Annotated[
        Literal["anywhere", "at power-on"],
        about(
            "Where the log begins: 'at power-on' of the controller, or 'anywhere', perhaps in mid-run.",
            "at power-on",
        ),
    ] = "anywhere"
    late: Annotated[
        Duration, about("By how much rows may come late; those are put in their place.", "500 ms")
    ] = 0
    clock: Annotated[
        Literal["stop", "continue", "skip"],
        about(
            "What to do where the clock goes back by a minute or more: 'stop' (an error), 'continue' (as if "
            "no time had passed) or 'skip' (until it has caught up). A step of a day or more ahead is told, "
            "and taken as time that passed unless this is 'continue'.",
            "continue",
        ),
    ] = "stop"
    on: Annotated[list[str], about("Further words for true.", ["EIN"])] = []
    off: Annotated[list[str], about("Further words for false.", ["AUS"])] = []
    columns: Annotated[
        dict[str, str | SignalColumn],
        about(
            "Which column is which signal; of a CAN log, Message.Signal or Signal.",
            {"DI 07": "cutter_still"},
        ),
    ] = {}

    @field_validator("encoding")
    @classmethod
    def _is_read(cls, name: str) -> str:
        """Refuses an encoding that is not there, or in which a line break is more than its one byte."""
        try:
            plain = "\n".encode(name) == b"\n"
        except (LookupError, UnicodeError):
            hint = nearest_hint(name, aliases) or "there are utf-8, cp1252, latin-1 and more"
            raise ValueError(f"there is no encoding '{shorten(name)}'; {hint}") from None
        if not plain:
            raise ValueError(f"texts in {shorten(name)} are not read; save the log in UTF-8")
        return name

    @model_validator(mode="after")
    def _means_one_thing(self) -> Self:
        on, off = ({word.strip().casefold() for word in words} for words in (self.on, self.off))
        if both := on & off:
            raise ValueError(f"'{min(both)}' is among the words for true and for false")
        if self.every == 0:
            raise ValueError("'every' is the time between two rows; it is longer than 0")
        return self

    @property
    def from_power_on(self) -> bool:
        """Whether the log is said to begin with a cold start."""
        return self.begins == "at power-on"

    def timing(self, scan: Milliseconds) -> Timing:
        """What the times of a log so laid out say of the scans of a controller.

        Args:
            scan: period of the controller.
        """
        if self.accuracy == 0 and self.every in (None, scan):
            return EXACT
        if self.every is None and self.accuracy is not None:
            return Timing(RowMeaning.CHANGES, self.accuracy)
        accuracy = scan if self.accuracy is None else self.accuracy
        return Timing(RowMeaning.SAMPLES, accuracy, stated=self.every is not None)

    def entry(self, column: str) -> SignalColumn:
        """What a column is: its entry, or the signal of the same name."""
        item = self.columns.get(column, column)
        return item if isinstance(item, SignalColumn) else SignalColumn(signal=item)

    def with_columns(self, pairs: Iterable[str]) -> ColumnMap:
        """The map with entries given as ``COLUMN=SIGNAL``.

        Raises:
            UsageError: for a text that is no such pair.
        """
        added: dict[str, str | SignalColumn] = dict(self.columns)
        for pair in pairs:
            column, equals, signal = pair.rpartition("=")
            if not (equals and column.strip() and signal.strip()):
                raise UsageError(f"'{shorten(pair)}' is not COLUMN=SIGNAL")
            added[column.strip()] = signal.strip()
        return self.model_copy(update={"columns": added})

    def require_signals(self, machine: Machine, where: str) -> None:
        """Refuses entries that name no signal of the machine.

        Raises:
            UsageError: listing each, with the nearest right name.
        """
        known = [name for _, name in signals_of(machine)]
        entries = [(column, self.entry(column)) for column in self.columns]
        wrong = dict.fromkeys(entry.signal for _, entry in entries if entry.signal not in known)
        if wrong:
            raise UsageError(f"{where}: the machine has no signal {not_there(wrong, known)}")
        levels = {*machine.inputs, *machine.outputs}
        for column, entry in entries:
            if (entry.inverted or entry.above is not None) and entry.signal not in levels:
                raise UsageError(
                    f"{where}: 'inverted' and 'above' of column '{column}' are for inputs and outputs; "
                    f"'{entry.signal}' is neither"
                )


def read_column_map(path: Path) -> ColumnMap:
    """Reads a column map.

    Raises:
        MachineFileError: with every problem, at its line and column.
        UsageError: if the file cannot be opened.
    """
    try:
        if is_endless(path):
            raise UsageError(f"{path}: the column map cannot be read: it is not a regular file")
        with path.open("rb") as stream:
            content = stream.read(LARGEST_MAP + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "the name is impossible"
        raise UsageError(f"{path}: the column map cannot be read: {why.lower()}") from None
    if len(content) > LARGEST_MAP:
        raise UsageError(f"{path}: a column map has at most 1 MiB; is it the log itself?")
    try:
        text = Text(content.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise UsageError(f"{path}: the column map is not a text in UTF-8") from None
    return _read(text, str(path))


def _read(text: Text, name: str) -> ColumnMap:
    if not text.text.strip():
        raise UsageError(f"{name}: the column map is empty; leave it out, or say 'columns:' in it")
    try:
        source = read_source(text.text)
    except SourceError as error:
        problem = Positions(Scalar(0, 0, "", None), text).at(error.offset, error.message, error.hint)
        raise MachineFileError(name, (problem,), text.lines()) from None
    positions = Positions(source.root, text)
    problems = [positions.at(*item) for item in source.problems]
    if not isinstance(source.root, Mapping):
        problems.append(positions.problem((), "a column map begins with keys", "say 'columns:' first"))
    else:
        try:
            found = ColumnMap.model_validate(data_of(source.root), by_name=False, by_alias=True)
        except ValidationError as error:
            problems += [_problem(dict(item), positions) for item in error.errors(include_url=False)]
        else:
            if not problems:
                return found
    problems.sort(key=lambda item: (item.line, item.column))
    raise MachineFileError(name, problems, text.lines())


def _problem(error: dict[str, Any], positions: Positions) -> Problem:
    """One refusal of the model, in the words of the map."""
    path = tuple(step for step in error["loc"] if step not in ("str", "SignalColumn"))
    key = str(path[-1]) if path else ""
    model: type[BaseModel] = ColumnMap
    if path[:1] == ("time",) and len(path) > 1:
        model = TimeColumn
    elif path[:1] == ("columns",) and len(path) > 2:
        model = SignalColumn
    match error["type"]:
        case "extra_forbidden":
            keys = [info.alias or name for name, info in model.model_fields.items()]
            return positions.problem(
                path, f"unknown key '{shorten(key)}'", nearest_hint(key, keys), at_key=True
            )
        case "missing":
            return positions.problem(path[:-1], f"'{key}' is missing here", at_key=True)
        case "literal_error":
            return positions.problem(
                path, f"'{shorten(str(error['input']))}' is not {error['ctx']['expected']}"
            )
        case "value_error":
            return positions.problem(path, str(error["ctx"]["error"]))
        case "text":
            return positions.problem(path, error["ctx"]["reason"], error["ctx"]["hint"])
        case "bare_number":
            return positions.problem(
                path, f"{error['input']} is a number without a unit", error["ctx"]["hint"]
            )
    field = next((info for name, info in model.model_fields.items() if (info.alias or name) == key), None)
    example = f"say for example '{key}: {field.examples[0]}'" if field is not None and field.examples else ""
    return positions.problem(path, "this does not fit here", example)
