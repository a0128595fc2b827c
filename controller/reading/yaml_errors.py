"""What YAML's own errors mean, in plain words.

ruamel.yaml names parser states; a reader of a machine file needs to know which character to
change. The table is read from top to bottom, the first pattern found decides.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

from ruamel.yaml.error import MarkedYAMLError, YAMLError


class Aim(Enum):
    """Which of the two marks of an error a person should look at."""

    PROBLEM = "problem"
    BEGINNING = "beginning"


@dataclass(frozen=True, slots=True)
class YamlFault:
    """An error in words. ``{line}`` in ``hint`` stands for the line of the beginning.

    ``example`` is a text that meets it, with ``¶`` before the character pointed at; the tests
    read it.
    """

    pattern: str
    message: str
    hint: str
    example: str
    aim: Aim = Aim.PROBLEM


QUOTE = "a text with special characters needs quotes around it"

FAULTS = (
    YamlFault(
        r"mapping values are not allowed",
        "a ':' does not fit here",
        "check the indentation, and that the key above ends in ':' with a space or line break after it;"
        " a text that holds ': ' needs quotes",
        "when: a¶: b",
    ),
    YamlFault(
        r"sequence entries are not allowed",
        "a '-' does not fit here",
        "list items stand in lines of their own, or as [a, b]",
        "exits: ¶- a",
    ),
    YamlFault(r"mapping keys are not allowed", "a '?' does not fit here", QUOTE, "when: ¶? a"),
    YamlFault(
        r"found character '\\t'",
        "a tab stands where only spaces may indent",
        "indent with spaces",
        "inputs:\n¶\ta: {}",
    ),
    YamlFault(
        r"found character '(?P<what>.+)' that cannot",
        "a text cannot begin with '{what}'",
        QUOTE,
        "note: ¶@home",
    ),
    YamlFault(
        r"expected ',' or '(?P<what>.)', but got '<stream end>'",
        "the bracket opened here is never closed",
        "expected '{what}' before the end of the file",
        "on: ¶[a, b",
        Aim.BEGINNING,
    ),
    YamlFault(
        r"expected ',' or '(?P<what>.)'",
        "',' or '{what}' is expected before this",
        "the bracket was opened in line {line}; a text inside that holds ': ' or a comma needs quotes",
        "on: [a\nexits¶: []",
    ),
    YamlFault(
        r"unexpected (end of stream|document separator)",
        "the quote opened here is never closed",
        "",
        "note: ¶'abc\nscan: 20 ms",
        Aim.BEGINNING,
    ),
    YamlFault(
        r"expected <block end>",
        "this does not line up with what stands above",
        "entries of the block begun in line {line} share one indentation; nothing follows a quote",
        "exits:\n  a: b\n ¶to: c",
    ),
    YamlFault(
        r"expected the node content, but found '<stream end>'",
        "the file ends where a value is expected",
        "",
        "on: [a, ¶",
    ),
    YamlFault(
        r"expected the node content, but found '(?P<what>.+)'",
        "'{what}' cannot stand here",
        QUOTE,
        "when: ¶]",
    ),
    YamlFault(
        r"found unknown escape character '(?P<what>.+)'",
        "'\\{what}' means nothing inside double quotes",
        "use single quotes, which take every character as it is",
        'note: "C:\\¶q"',
    ),
    YamlFault(
        r"expected escape sequence",
        "this '\\' sequence is incomplete",
        "use single quotes, which take every character as it is",
        'note: "\\x¶zz"',
    ),
    YamlFault(
        r"could not find expected ':'",
        "a ':' is missing after this key",
        "'key: value', with a space; if it is an item of a list, '- ' is missing before it",
        "scan: 20 ms\n¶inputs\nparts: {}",
        Aim.BEGINNING,
    ),
    YamlFault(
        r"chomping or indentation|indentation indicator|comment or a line break",
        "text follows '|' or '>' on the same line",
        "begin it on the next line, indented",
        "note: >¶x\n  y",
    ),
    YamlFault(
        r"more indented follow up line",
        "this text is indented more than its first line",
        "",
        "note: |\n  \n    ¶y",
    ),
    YamlFault(
        r"expected '<document start>'|non-comment content after document",
        "the text goes on after its end",
        "check the indentation of this line",
        "{a: b} ¶c",
    ),
    YamlFault(
        r"expected alphabetic or numeric",
        "a text that begins with '&' or '*' needs quotes",
        "",
        "when: ¶& b",
        Aim.BEGINNING,
    ),
    YamlFault(
        r"tag|URI|expected '[!>]'",
        "a text that begins with '!' needs quotes; 'not' is the word for it",
        "",
        "when: ¶!<a",
        Aim.BEGINNING,
    ),
    YamlFault(
        r"directive|YAML document|expected a digit",
        "lines that begin with '%' have no meaning here",
        "remove it",
        "¶%YAML 3.0\n---\na: b",
        Aim.BEGINNING,
    ),
)


def explain_yaml(error: YAMLError, reached: int) -> tuple[int, str, str]:
    """Offset, message and hint for an error; ``reached`` is where reading had come to."""
    if not isinstance(error, MarkedYAMLError):
        return reached, "this cannot be read as YAML", ""
    problem_mark, context_mark = error.problem_mark, error.context_mark
    problem = str(error.problem or error.context or "")
    line = context_mark.line + 1 if context_mark is not None else 1
    for fault in FAULTS:
        match = re.search(fault.pattern, problem)
        if match is None:
            continue
        words = {key: _name(value) for key, value in match.groupdict().items()}
        mark = problem_mark or context_mark
        if fault.aim is Aim.BEGINNING:
            mark = context_mark or problem_mark
        offset = mark.index if mark is not None else reached
        return offset, fault.message.format(**words), fault.hint.format(line=line, **words)
    offset = problem_mark.index if problem_mark is not None else reached
    return offset, f"this is no YAML: {problem.splitlines()[0] if problem else 'unreadable'}", ""


def _name(token: str) -> str:
    """ruamel's name of a token as a person would write it."""
    return {"<block mapping start>": "an indented key", "<stream end>": "the end of the file"}.get(
        token, token
    )
