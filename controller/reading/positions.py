"""Where things stand: from the path of a value, and a place inside its text, to line and column."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import Problem, Severity
from ..expressions.expression import Span
from ..machine_file.named_conditions import SHORT_FORM
from .source import Items, Mapping, Node, Scalar, Text, offsets_in


@dataclass(frozen=True, slots=True)
class FoundPlace:
    """What stands at a path; ``key`` is None for list items and the whole file.

    If the path leads nowhere this is its last part that does, and ``complete`` is False.
    """

    node: Node
    key: Scalar | None
    complete: bool


class Positions:
    """The places of one file."""

    def __init__(self, root: Node, text: Text) -> None:
        self.root, self.text = root, text

    def find(self, path: Sequence[str | int]) -> FoundPlace:
        """The node at a path of keys and indices."""
        node, key = self.root, None
        for step in path:
            match node:
                case Mapping() if step in node.values:
                    key, node = node.keys[str(step)], node.values[str(step)]
                case Items() if isinstance(step, int) and step < len(node.values):
                    key, node = None, node.values[step]
                case Scalar() if step == SHORT_FORM and path[:1] == ("conditions",):
                    pass  # 'still: a and b' says the same as 'still: {when: a and b}'
                case _:
                    return FoundPlace(node, key, complete=False)
        return FoundPlace(node, key, complete=True)

    def place(self, path: Sequence[str | int]) -> tuple[int, int]:
        """Line and column, from 1, of the key or list item at a path."""
        found = self.find(path)
        return self.text.place((found.key or found.node).start)

    def problem(
        self,
        path: Sequence[str | int],
        message: str,
        hint: str = "",
        *,
        severity: Severity = Severity.ERROR,
        span: Span | None = None,
        at_key: bool = False,
    ) -> Problem:
        """A problem at a path: its key, its value, or characters inside its text."""
        found = self.find(path)
        node: Node = found.node
        if found.key is not None and (at_key or not found.complete or not self._has_ink(node)):
            node = found.key
        start, end = node.start, node.end
        if span is not None and isinstance(node, Scalar) and (found.complete or at_key):
            offsets = offsets_in(node, self.text.text)
            last = len(offsets) - 1
            start = offsets[min(span.start, last)]
            end = offsets[min(max(span.end - 1, span.start), last)] + 1
        return self.at(start, message, hint, severity=severity, end=end)

    def at(
        self, start: int, message: str, hint: str = "", *, severity: Severity = Severity.ERROR, end: int = 0
    ) -> Problem:
        """A problem at a character offset of the file."""
        line, column = self.text.place(start)
        end_line, end_column = self.text.place(max(start, end))
        width = end_column - column if end_line == line else self.text.line_length(line) - column + 1
        return Problem(line, column, message, hint, severity, max(1, width))

    def _has_ink(self, node: Node) -> bool:
        return node.end > node.start
