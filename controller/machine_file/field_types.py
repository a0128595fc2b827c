"""The small typed values that machine files are made of: names, times, conditions.

Each is read from what stands in the file and refuses, with the place inside the text, what
it is not. Refusals reach pydantic as errors of type ``text`` whose context holds ``start``,
``end`` and ``hint``, so that the reader can point at the character.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Self, TypeVar

from pydantic import BeforeValidator, GetCoreSchemaHandler, GetJsonSchemaHandler, WithJsonSchema
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from ..errors import TextError
from ..expressions import durations
from ..expressions.durations import parse_duration, parse_duration_range, shorten
from ..expressions.expression import Expression
from ..expressions.grammar import KEYWORDS, parse_expression

Milliseconds = durations.Milliseconds
"""A time in whole milliseconds."""

Ticks = durations.Ticks
"""A time in steps of the period in use (the scan, or the check's tick)."""

LONGEST_NAME = 64
"""Characters of a name."""

NAME_PATTERN = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)
RESERVED = (*KEYWORDS, "null", "seen", "asked")
"""Words with a meaning of their own, in any case, that cannot be names."""

Parsed = TypeVar("Parsed")


@dataclass(frozen=True, slots=True)
class Condition:
    """An expression as it stands in the file, with its tree.

    ``tree`` is what it means: named conditions are written out in it (see ``named_conditions``).
    ``named`` is the tree as it stands in the file where that is another, with the names in it.
    """

    text: str
    tree: Expression
    named: Expression | None = None

    @property
    def written(self) -> Expression:
        """The tree as it stands in the file, for whoever shows it; ``tree`` is for whoever judges it."""
        return self.tree if self.named is None else self.named

    @classmethod
    def parse(cls, text: str) -> Self:
        """Reads an expression.

        Raises:
            TextError: with the place inside the text.
        """
        return cls(text, parse_expression(text))

    @classmethod
    def read(cls, value: object) -> Self:
        """Reads what YAML gives for an expression: a text, a truth or a whole number.

        Raises:
            PydanticCustomError: of type ``text``.
        """
        if isinstance(value, cls):
            return value
        if isinstance(value, bool):
            value = "true" if value else "false"
        elif isinstance(value, int):
            value = str(value)
        if not isinstance(value, str):
            raise PydanticCustomError("expression_type", "an expression is expected")
        return _refusing(cls.parse, value)

    def __str__(self) -> str:
        return self.text

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            cls.read, serialization=core_schema.to_string_ser_schema()
        )

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"anyOf": [{"type": "string", "minLength": 1}, {"type": "boolean"}, {"type": "integer"}]}


class SenseCondition(Condition):
    """When a part's switch conducts: over the part's own truths, ``at open`` included."""

    __slots__ = ()


def _refusing(parse: Callable[[str], Parsed], text: str) -> Parsed:
    """Calls a parser and turns its refusal into a pydantic error that keeps the place."""
    try:
        return parse(text)
    except TextError as error:
        raise PydanticCustomError(
            "text", "{reason}",
            {"reason": error.message, "start": error.start, "end": error.end, "hint": error.hint},
        ) from None  # fmt: skip


def _read_duration(value: object) -> object:
    if isinstance(value, str):
        return _refusing(parse_duration, value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise PydanticCustomError(
            "bare_number",
            "{number} is a number without a unit",
            {"number": str(value), "hint": f"say '{value} ms' or '{value} s'"},
        )
    raise PydanticCustomError("duration_type", "a time is expected")


def _read_range(value: object) -> object:
    if isinstance(value, tuple):
        return value
    if isinstance(value, str):
        return _refusing(parse_duration_range, value)
    return (_read_duration(value),) * 2


def parse_name(text: str) -> str:
    """A name as machine files may use it.

    Raises:
        TextError: with the first character that a name may not hold.
    """
    match = NAME_PATTERN.match(text)
    if not text:
        raise TextError("a name is empty", 0, 1)
    if match is None or match.end() < len(text):
        place = match.end() if match else 0
        fixed = re.sub(r"_+", "_", re.sub(r"[^A-Za-z0-9_]", "_", text, flags=re.ASCII)).strip("_0123456789")
        raise TextError(
            f"'{shorten(text)}' is not a name: letters a to z, digits and '_', a letter first",
            place, place + 1, f"say '{fixed}'" if fixed and len(fixed) <= LONGEST_NAME else "",
        )  # fmt: skip
    if len(text) > LONGEST_NAME:
        raise TextError(
            f"a name has at most {LONGEST_NAME} characters, this one has {len(text)}", 0, len(text)
        )
    if "__" in text:
        place = text.index("__")
        raise TextError(
            "a name has no two '_' in a row", place, place + 2, f"say '{re.sub(r'__+', '_', text)}'"
        )
    if text.lower() in RESERVED:
        raise TextError(
            f"'{text}' is a word of the language and cannot be a name",
            0,
            len(text),
            f"say '{text.lower()}_1'",
        )
    return text


def _read_name(value: object) -> object:
    if not isinstance(value, str):
        raise PydanticCustomError("name_type", "a name is expected")
    return _refusing(parse_name, value)


COUNTER_RANGE = re.compile(r"\s*(-?\d{1,10})\s*\.\.\s*(-?\d{1,10})\s*", re.ASCII)


def parse_counter_range(text: str) -> str:
    """Smallest and largest value of a counter, as ``0..5``.

    Raises:
        TextError: if it is no range, holds one value, runs backwards or needs more than 32 bits.
    """
    match = COUNTER_RANGE.fullmatch(text)
    if match is None:
        raise TextError(f"'{shorten(text)}' is not a range", 0, len(text), "say for example '0..5'")
    low, high = int(match.group(1)), int(match.group(2))
    if low > high:
        raise TextError(
            f"the range runs backwards: {low} is more than {high}", 0, len(text), f"say '{high}..{low}'"
        )
    if low == high:
        raise TextError("a counter with one value counts nothing", 0, len(text), f"say '{low}..{low + 1}'")
    if low < -(2**31) or high > 2**31 - 1:
        raise TextError("a counter has at most 32 bits", 0, len(text), "from -2147483648 to 2147483647")
    return f"{low}..{high}"


def _read_counter_range(value: object) -> object:
    if value is None:
        return value
    if not isinstance(value, str):
        raise PydanticCustomError("range_type", "a range is expected")
    return _refusing(parse_counter_range, value)


_TIME = r"\s*\d+(\.\d+)?\s*(ms|s|min|h)\s*"
_LITERAL = r"\s*([tT]|[tT][iI][mM][eE])#[0-9A-Za-z_.]+\s*"

Identifier = Annotated[
    str,
    BeforeValidator(_read_name),
    WithJsonSchema({"type": "string", "pattern": "^[A-Za-z](_?[A-Za-z0-9])*_?$", "maxLength": LONGEST_NAME}),
]
"""A name: letters, digits and single underlines, a letter first, at most 64 characters."""

Duration = Annotated[
    int,
    BeforeValidator(_read_duration),
    WithJsonSchema({"type": "string", "pattern": f"^({_TIME}|{_LITERAL})$"}),
]
"""A time in milliseconds, written ``20 ms``, ``1.5 s``, ``2 min``, ``1 h`` or ``T#500ms``."""

DurationRange = Annotated[
    tuple[int, int],
    BeforeValidator(_read_range),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": rf"^((\s*\d+(\.\d+)?\s*|{_TIME}|{_LITERAL})\.\.)?({_TIME}|{_LITERAL})$",
        }
    ),
]
"""Shortest and longest time in milliseconds, written ``3..5 s``, ``300 ms..2 s`` or ``3 s``."""

CounterRange = Annotated[
    str,
    BeforeValidator(_read_counter_range),
    WithJsonSchema({"type": "string", "pattern": r"^\s*-?\d{1,10}\s*\.\.\s*-?\d{1,10}\s*$"}),
]
"""Smallest and largest value of a counter, written ``0..5``."""


def _read_start(value: object) -> object:
    if isinstance(value, bool | int):
        return value
    raise PydanticCustomError("start_type", "true, false or a whole number is expected")


StartValue = Annotated[bool | int, BeforeValidator(_read_start)]
"""Value of a memory at power-on: a truth for a bit, a number for a counter."""
