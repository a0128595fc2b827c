"""Texts of others made visible: what steers a terminal or turns a line around is shown as its escape.

A file's name and a log's header may hold anything: escape sequences that move the cursor, marks that turn
the direction of writing, halves of characters that no encoding takes. None of it is ever written as it is;
``\\x1b`` and ``\\u202e`` stand there instead, so that whoever reads it sees that there was something.

Source: what counts as printable is the Unicode categories Other and Separator, the space apart
(``str.isprintable``); the marks of direction are among them (Unicode Standard Annex 9, 2: formats).
"""

from __future__ import annotations

BLANK = dict.fromkeys(map(ord, "\t\n\r\x85\xa0"), " ")
"""White space that people type, or paste."""


def visible(text: str, kept: str = "") -> str:
    """The text with an escape for each character that is not printable and not kept."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c in kept else _escape(c) for c in text)


def one_line(text: str) -> str:
    """The same on one line: white space is a blank."""
    return text if text.isprintable() else visible(text.translate(BLANK))


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
