"""A YAML text as nodes that know where they stand.

ruamel.yaml cuts the text into events; this module builds scalars, mappings and lists from
them, and nothing else: no tag constructs an object, a key is always the text that stands
there, and plain scalars follow the core schema of YAML 1.2.2, section 10.3.2 (``on``, ``yes``
and ``no`` are words). Duplicate keys, tags and unknown anchors are collected as problems and
reading goes on; only a text that is no YAML ends it.

Offsets count characters of the decoded text. Limits keep a hostile file from costing more
than a moment: see the constants.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from ..expressions.durations import shorten
from .yaml_errors import explain_yaml

LARGEST_FILE = 2 * 1024 * 1024
"""Bytes of a machine file."""

DEEPEST_NESTING = 24
"""Mappings and lists inside one another; a machine file needs seven."""

MOST_NODES = 50_000
"""Scalars, mappings and lists, every alias counted as what it stands for; some 5000 lines."""

MOST_PROBLEMS = 100
"""Problems shown for one file."""

Plain = str | int | float | bool | None
Data = Plain | list[Any] | dict[str, Any]

INTEGER = re.compile(r"[-+]?[0-9]+", re.ASCII)
FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", re.ASCII)
BASED = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+", re.ASCII)
UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
LINE_BREAK = re.compile("\r\n|\r|\n")
ESCAPE_LENGTHS = {"x": 2, "u": 4, "U": 8}
ESCAPED_BLANKS = "tnvfrNLP _\t"
"""Letters after a backslash, inside double quotes, that stand for white space."""


class SourceError(Exception):
    """The text is no YAML, or passes a limit; nothing after the place was read."""

    def __init__(self, offset: int, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.offset, self.message, self.hint = offset, message, hint


@dataclass(slots=True)
class Scalar:
    """A text as it stands in the file and the value it has in YAML."""

    start: int
    end: int
    text: str
    value: Plain
    style: str | None = None  # ', ", | or >; None for plain
    in_flow: bool = False
    size: int = 1
    height: int = 0


@dataclass(slots=True)
class Mapping:
    """Entries in file order. Of a key that stands twice only the first is kept."""

    start: int
    end: int
    keys: dict[str, Scalar] = field(default_factory=dict)
    values: dict[str, Node] = field(default_factory=dict)
    size: int = 1  # nodes, aliases counted in full
    height: int = 0  # levels below


@dataclass(slots=True)
class Items:
    """A list."""

    start: int
    end: int
    values: list[Node] = field(default_factory=list)
    size: int = 1
    height: int = 0


Node = Scalar | Mapping | Items


class Text:
    """A decoded text with its lines."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._lines: tuple[str, ...] = ()  # once somebody asks
        self._starts = [0, *(match.end() for match in LINE_BREAK.finditer(text))]

    def place(self, offset: int) -> tuple[int, int]:
        """Line and column of an offset, both from 1."""
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1

    def line_length(self, line: int) -> int:
        """Characters of a line, its break left out."""
        end = self._starts[line] if line < len(self._starts) else len(self.text)
        return len(self.text[self._starts[line - 1] : end].rstrip("\r\n"))

    def lines(self) -> tuple[str, ...]:
        """The lines without their breaks."""
        self._lines = self._lines or tuple(LINE_BREAK.split(self.text))
        return self._lines


@dataclass
class Source:
    """What a text holds, and the problems met on the way as (offset, message, hint)."""

    root: Node
    problems: list[tuple[int, str, str]]


def read_source(text: str, look: Callable[[], None] | None = None) -> Source:
    """Builds the nodes of one YAML document.

    Args:
        look: called at every node; what it raises ends the reading.

    Raises:
        SourceError: if the text is no YAML, holds more than one document or passes a limit.
    """
    bad = UNPRINTABLE.search(text)
    if bad:
        raise SourceError(
            bad.start(), f"character U+{ord(bad.group()):04X} cannot stand in a text file", "remove it"
        )
    builder = _Builder(text, look)
    try:
        return Source(builder.document(), builder.problems)
    except YAMLError as error:
        raise SourceError(*explain_yaml(error, builder.reached)) from None
    except (ValueError, IndexError, KeyError, AttributeError, TypeError, AssertionError) as error:
        # ruamel.yaml meets some broken texts with these instead of an error of its own.
        raise SourceError(
            builder.reached, "this cannot be read as YAML", "look for a stray ':', '-', quote or bracket"
        ) from error


def data_of(node: Node) -> Data:
    """The plain values of a node; nodes shared by aliases give shared values."""
    known: dict[int, Data] = {}

    def build(item: Node) -> Data:
        if id(item) not in known:
            match item:
                case Scalar(value=value):
                    known[id(item)] = value
                case Mapping(values=values):
                    known[id(item)] = {key: build(value) for key, value in values.items()}
                case Items(values=members):
                    known[id(item)] = [build(value) for value in members]
        return known[id(item)]

    return build(node)


def plain_value(text: str) -> Plain:
    """The value of an unquoted scalar in the core schema of YAML 1.2.2."""
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text in ("true", "True", "TRUE"):
        return True
    if text in ("false", "False", "FALSE"):
        return False
    if len(text) <= 20:
        if INTEGER.fullmatch(text):
            return int(text)
        if BASED.fullmatch(text):
            return int(text, 0)
        if FLOAT.fullmatch(text):
            return float(text)
    return text


def offsets_in(node: Scalar, text: str) -> list[int]:
    """Offset in the file of every character of a scalar's text, and of its end.

    Quotes, escapes, folded lines and block indentation change white space only, so the other
    characters stand in the file in the same order. White space is placed after the character
    before it.
    """
    raw = text[node.start : node.end]
    if node.style is None and raw == node.text:
        return [node.start + index for index in range(len(node.text) + 1)]
    ink = _ink_of(raw, node.style)
    result: list[int] = []
    last = node.start + (1 if node.style in ("'", '"') else 0)
    for character in node.text:
        if not character.isspace():
            place = next(ink, None)
            if place is None:
                return [node.start] * (len(node.text) + 1)
            result.append(node.start + place[0])
            last = node.start + place[0] + place[1]
        else:
            result.append(last)
            last += 1
    return [*result, last]


def _ink_of(raw: str, style: str | None) -> Iterator[tuple[int, int]]:
    """Place and length of everything in a scalar's source that is not white space."""
    place = 0
    if style in ("|", ">"):
        place = next((match.end() for match in LINE_BREAK.finditer(raw)), len(raw))
    elif style is not None:
        place, raw = 1, raw[:-1]
    while place < len(raw):
        length, blank = 1, raw[place].isspace()
        if style == "'" and raw.startswith("''", place):
            length = 2
        elif style == '"' and raw[place] == "\\" and place + 1 < len(raw):
            letter = raw[place + 1]
            digits = ESCAPE_LENGTHS.get(letter, 0)
            length = 2 + digits
            blank = letter in ESCAPED_BLANKS or letter in "\r\n"
            if digits:
                blank = chr(int(raw[place + 2 : place + length], 16)).isspace()
        if not blank:
            yield place, length
        place += length


class _Builder:
    """Turns events into nodes. Never looks at what ruamel.yaml would construct from them."""

    def __init__(self, text: str, look: Callable[[], None] | None) -> None:
        self.source = Text(text)
        self._look = look or (lambda: None)
        self.problems: list[tuple[int, str, str]] = []
        self.reached = 0
        self._events: Iterator[Any] = YAML(typ="safe", pure=True).parse(text)
        self._anchors: dict[str, Node | None] = {}  # None while the node is being read
        self._flow = 0
        self._nodes = 0

    def document(self) -> Node:
        root: Node | None = None
        for event in self._events:
            self.reached = event.start_mark.index
            if isinstance(event, DocumentStartEvent) and root is not None:
                raise SourceError(
                    event.start_mark.index, "a second document begins here", "one file holds one machine"
                )
            if isinstance(event, NodeEvent):
                root = self._node(event, 0)
        if root is None:
            raise SourceError(0, "the file is empty", "'stillgate new' writes a starter file")
        return root

    def _next(self) -> Any:
        event = next(self._events)
        self.reached = event.start_mark.index
        return event

    def _node(self, event: Any, depth: int) -> Node:
        self._look()
        start, end = event.start_mark.index, event.end_mark.index
        self._nodes += 1
        if self._nodes > MOST_NODES:
            raise _too_many(start)
        if isinstance(event, AliasEvent):
            return self._alias(event.anchor, start, end, depth)
        anchor = event.anchor
        if event.tag is not None:
            self.problems.append(
                (start, f"the tag '{shorten(str(event.tag))}' has no meaning here", _tag_hint(event))
            )
        if anchor is not None:
            self._anchors[anchor] = None
        if depth > DEEPEST_NESTING:
            raise _too_deep(start)
        node: Node
        match event:
            case ScalarEvent():
                node = self._scalar(event, start, end)
            case MappingStartEvent():
                node = self._mapping(event, depth)
            case SequenceStartEvent():
                node = self._items(event, depth)
            case _:
                raise AssertionError(f"{event!r} is no node")
        self._measure(node, depth)
        if anchor is not None:
            self._anchors[anchor] = node
        return node

    def _scalar(self, event: Any, start: int, end: int) -> Scalar:
        text: str = event.value
        value: Plain = plain_value(text) if event.style is None else text
        return Scalar(start, end, text, value, event.style, self._flow > 0)

    def _mapping(self, start_event: Any, depth: int) -> Mapping:
        node = Mapping(start_event.start_mark.index, start_event.end_mark.index)
        flow = bool(start_event.flow_style)
        self._flow += flow
        while not isinstance(event := self._next(), MappingEndEvent):
            key = self._node(event, depth + 1)
            value = self._node(self._next(), depth + 1)
            if not isinstance(key, Scalar):
                self.problems.append((key.start, "a key must be a word", "write 'key: value'"))
            elif key.text in node.keys:
                line, _ = self.source.place(node.keys[key.text].start)
                self.problems.append(
                    (
                        key.start,
                        f"'{shorten(key.text)}' stands here a second time",
                        f"the first is in line {line}",
                    )
                )
            else:
                node.keys[key.text], node.values[key.text] = key, value
                _grow(node, value)
        self._flow -= flow
        node.end = event.end_mark.index
        return node

    def _items(self, start_event: Any, depth: int) -> Items:
        node = Items(start_event.start_mark.index, start_event.end_mark.index)
        flow = bool(start_event.flow_style)
        self._flow += flow
        while not isinstance(event := self._next(), SequenceEndEvent):
            value = self._node(event, depth + 1)
            node.values.append(value)
            _grow(node, value)
        self._flow -= flow
        node.end = event.end_mark.index
        return node

    def _alias(self, name: str, start: int, end: int, depth: int) -> Node:
        node = self._anchors.get(name)
        if node is None:
            reason = "stands inside what it names" if name in self._anchors else "names no anchor before it"
            self.problems.append((start, f"the alias '*{shorten(name)}' {reason}", ""))
            return Scalar(start, end, "", None)
        self._measure(node, depth)
        return node

    def _measure(self, node: Node, depth: int) -> None:
        """Refuses what aliases blow up, however little text it takes."""
        if depth + node.height > DEEPEST_NESTING:
            raise _too_deep(node.start)
        if node.size > MOST_NODES:
            raise _too_many(node.start)


def _grow(node: Mapping | Items, value: Node) -> None:
    node.size += value.size
    node.height = max(node.height, value.height + 1)


def _too_many(offset: int) -> SourceError:
    return SourceError(
        offset,
        f"the file holds more than {MOST_NODES} entries, aliases counted in full",
        "is it a machine file?",
    )


def _too_deep(offset: int) -> SourceError:
    return SourceError(
        offset, f"nested more than {DEEPEST_NESTING} deep", "a machine file needs seven levels"
    )


def _tag_hint(event: Any) -> str:
    text = str(event.tag)
    if text.startswith("!") and re.fullmatch(r"![A-Za-z_]\w*", text):
        return f"say 'not {text[1:]}' if that is meant"
    return "write the value alone"
