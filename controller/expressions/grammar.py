"""Expression text to expression tree.

``grammar.lark`` holds the rules; this module holds the lexer, the words used in messages and
the limits. Keywords may be written in any case, names are taken as written.

Every failure is a ``TextError`` that says what stands there, what was expected and, where
something similar exists, what was probably meant.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any, NoReturn

from lark import Lark, Token, Transformer
from lark.exceptions import UnexpectedToken
from lark.lexer import Lexer

from ..errors import TextError
from .durations import OTHER_SPELLINGS, parse_duration, shorten
from .expression import (
    At,
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Number,
    Operator,
    Span,
    Truth,
)

LONGEST_TEXT = 4000
"""Characters of one expression."""

DEEPEST = 64
"""Brackets and operators inside one another, a chain of ``or`` included."""

LARGEST = 2**31 - 1
"""Largest whole number in an expression: what a 32-bit signed number holds."""

FUNCTIONS = ("rising", "falling", "held")
KEYWORDS = ("and", "or", "xor", "not", "true", "false", "at", *FUNCTIONS)
"""Words that cannot be names, in any case."""

FUNCTION_TOKENS = tuple(word.upper() for word in FUNCTIONS)

SYMBOLS = {
    "&": "AND", "=": "EQ", "<>": "NE", "<": "LT", "<=": "LE", ">": "GT", ">=": "GE",
    "+": "ADD", "-": "SUB", "(": "LEFT", ")": "RIGHT", ",": "COMMA",
}  # fmt: skip

WRONG_SYMBOLS = {
    "==": "'=' compares, say 'a = b'",
    ":=": "'=' compares, and 'do', 'set' and 'clear' write memory",
    "!=": "say '<>' for 'not equal'",
    "&&": "say 'and'",
    "||": "say 'or'",
    "|": "say 'or'",
    "!": "say 'not'",
    "~": "say 'not'",
    "=<": "say '<='",
    "=>": "say '>='",
    "^": "say 'xor'",
    "*": "only + and - calculate here",
    "/": "only + and - calculate here",
    "%": "only + and - calculate here",
    "[": "group with ( and )",
    "]": "group with ( and )",
    "{": "group with ( and )",
    "}": "group with ( and )",
    ";": "an expression needs no ';' at its end",
}
"""Spellings of other languages, and what to say here."""

OTHER_FUNCTIONS = {"r_trig": "rising", "f_trig": "falling", "ton": "held"}
"""Function blocks of IEC 61131-3 that stand behind the functions here."""

OPERATORS = {
    "OR": Operator.OR, "XOR": Operator.XOR, "AND": Operator.AND, "EQ": Operator.EQ, "NE": Operator.NE,
    "LT": Operator.LT, "LE": Operator.LE, "GT": Operator.GT, "GE": Operator.GE,
    "ADD": Operator.ADD, "SUB": Operator.SUB,
}  # fmt: skip

TOKEN = re.compile(
    r"""(?P<space>[ \t\r\n]+)
      | (?P<comment>\(\*.*?\*\))
      | (?P<time>\d+(?:\.\d+)?\s*(?:ms|s|min|h)\b | (?:t|time)\#[A-Za-z0-9_.\-]*)
      | (?P<real>\d+\.\d+)
      | (?P<number>\d[\d_]*)
      | (?P<name>[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*)
      | (?P<wrong>==|:=|!=|&&|\|\||=<|=>|[|!~^*/%\[\]{};])
      | (?P<symbol><>|<=|>=|[&=<>+\-(),])
    """,
    re.VERBOSE | re.DOTALL | re.IGNORECASE | re.ASCII,
)


def parse_expression(text: str) -> Expression:
    """The tree of an expression.

    Args:
        text: for example ``rising(start) and not edge_clear``.

    Raises:
        TextError: if the text is no expression, longer than 4000 characters or nested more
            than 64 deep.
    """
    if len(text) > LONGEST_TEXT:
        raise TextError(
            f"the expression has {len(text)} characters, the longest allowed is {LONGEST_TEXT}",
            0, 1, "split it, or keep a part of it in a state of a sequence",
        )  # fmt: skip
    if not text.strip():
        raise TextError("the expression is empty", 0, 1, "say 'true' for a condition that always holds")
    try:
        tree: Expression = _parser().parse(text)  # type: ignore[assignment]
    except UnexpectedToken as error:
        raise _explain(error, text) from None
    return tree


class _ExpressionLexer(Lexer):
    """Cuts a text into tokens; what fits nothing is an error here already."""

    def __init__(self, lexer_conf: object) -> None:
        pass

    def lex(self, data: str) -> Iterator[Token]:  # type: ignore[override]
        place, open_brackets = 0, 0
        while place < len(data):
            match = TOKEN.match(data, place)
            if match is None:
                _refuse_character(data, place)
            kind, place = match.lastgroup, match.end()
            token = _token(kind or "", match.group(), match.start())
            if token is not None:
                open_brackets += {"LEFT": 1, "RIGHT": -1}.get(token.type, 0)
                if open_brackets > DEEPEST:
                    raise _too_deep(match.start(), match.end())
                yield token


def _token(kind: str, text: str, start: int) -> Token | None:
    end = start + len(text)
    match kind:
        case "space" | "comment":
            return None
        case "wrong":
            raise TextError(f"'{text}' is not an operator here", start, end, WRONG_SYMBOLS[text])
        case "real":
            raise TextError(
                f"{text} is not a whole number", start, end, "only whole numbers are counted here"
            )
        case "number":
            if not re.fullmatch(r"\d+(_\d+)*", text) or int(text.replace("_", "")[:12]) > LARGEST:
                raise TextError(f"'{shorten(text)}' is not a number up to {LARGEST}", start, end)
            name = "NUMBER"
        case "symbol":
            name = SYMBOLS[text]
        case "name":
            name = text.upper() if text.lower() in KEYWORDS else "NAME"
        case _:
            name = "TIME"
    return Token(name, text, start_pos=start, end_pos=end)


QUOTES = "\"'\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb"  # typed, and as word processors make them


def _refuse_character(text: str, place: int) -> NoReturn:
    character = text[place]
    shown = f"'{character}'" if character.isprintable() else f"character U+{ord(character):04X}"
    if character in QUOTES:
        hint = "names stand without quotes"
    elif character == ".":
        hint = "a name like 'gate.resting' has no space around its dot"
    elif character.isalpha():
        hint = "names are made of the letters a to z, digits and '_'"
    elif character == "#":
        hint = "a time literal looks like 'T#500ms'"
    else:
        hint = ""
    raise TextError(f"{shown} has no meaning in an expression", place, place + 1, hint)


def _too_deep(start: int, end: int) -> TextError:
    return TextError(
        f"the expression is nested more than {DEEPEST} deep", start, end,
        "split it, or keep a part of it in a state of a sequence",
    )  # fmt: skip


class _Node:
    """A tree under construction, with the place of its outermost brackets and its depth."""

    __slots__ = ("depth", "end", "start", "tree")

    depth: int

    def __init__(self, tree: Expression, start: int, end: int, *inner: _Node) -> None:
        self.tree, self.start, self.end = tree, start, end
        self.depth = 1 + max((node.depth for node in inner), default=0)
        if self.depth > DEEPEST:
            raise _too_deep(start, end)


def _place(token: Token) -> tuple[int, int]:
    assert token.start_pos is not None and token.end_pos is not None
    return token.start_pos, token.end_pos


class _TreeBuilder(Transformer[Token, _Node]):
    """One method a rule of the grammar. Spans leave out the brackets around an operand."""

    def binary(self, items: list[Any]) -> _Node:
        left, token, right = items
        span = Span(left.start, right.end)
        tree = Binary(OPERATORS[token.type], left.tree, right.tree, span)
        return _Node(tree, span.start, span.end, left, right)

    def negation(self, items: list[Any]) -> _Node:
        start, _ = _place(items[0])
        operand: _Node = items[1]
        return _Node(Not(operand.tree, Span(start, operand.end)), start, operand.end, operand)

    def name(self, items: list[Any]) -> _Node:
        start, end = _place(items[0])
        return _Node(Name(str(items[0]), Span(start, end)), start, end)

    def number(self, items: list[Any]) -> _Node:
        start, end = _place(items[0])
        return _Node(Number(int(items[0]), Span(start, end)), start, end)

    def negative(self, items: list[Any]) -> _Node:
        start, end = _place(items[0])[0], _place(items[1])[1]
        return _Node(Number(-int(items[1]), Span(start, end)), start, end)

    def truth(self, items: list[Any]) -> _Node:
        start, end = _place(items[0])
        return _Node(Truth(items[0].type == "TRUE", Span(start, end)), start, end)

    def brackets(self, items: list[Any]) -> _Node:
        inner: _Node = items[1]
        node = _Node(inner.tree, _place(items[0])[0], _place(items[2])[1])
        node.depth = inner.depth
        return node

    def edge(self, items: list[Any]) -> _Node:
        start, end = _place(items[0])[0], _place(items[3])[1]
        argument: _Node = items[2]
        edge = Edge(str(items[0]).lower())
        return _Node(EdgeOf(edge, argument.tree, Span(start, end)), start, end, argument)

    def held(self, items: list[Any]) -> _Node:
        start, end = _place(items[0])[0], _place(items[5])[1]
        argument: _Node = items[2]
        time_start, _ = _place(items[4])
        try:
            milliseconds = parse_duration(str(items[4]))
        except TextError as error:
            raise TextError(
                error.message, time_start + error.start, time_start + error.end, error.hint
            ) from None
        return _Node(HeldFor(argument.tree, milliseconds, Span(start, end)), start, end, argument)

    def at(self, items: list[Any]) -> _Node:
        start, end = _place(items[0])[0], _place(items[1])[1]
        if "." in items[1]:
            raise TextError("'at' names a place of this part only", *_place(items[1]), "say 'at open'")
        return _Node(At(str(items[1]), Span(start, end)), start, end)

    def start(self, items: list[Any]) -> Expression:
        node: _Node = items[0]
        return node.tree


@cache
def _parser() -> Lark:
    rules = Path(__file__).with_name("grammar.lark").read_text(encoding="utf-8")
    return Lark(
        rules, parser="lalr", lexer=_ExpressionLexer,
        transformer=_TreeBuilder(), keep_all_tokens=True, maybe_placeholders=False,
    )  # fmt: skip


def _explain(error: UnexpectedToken, text: str) -> TextError:
    """The message for a token that does not fit, in words."""
    token: Token = error.token
    expected: set[str] = set(error.accepts)
    if token.type == "$END":
        start = end = len(text.rstrip())
        end += 1
        message = "the expression ends too early"
    else:
        start, end = _place(token)
        message = f"'{shorten(str(token))}' does not belong here"
    before = list(_ExpressionLexer(None).lex(text[:start]))
    previous = before[-1] if before else None
    if previous is not None and previous.type == "NAME" and token.type == "LEFT":
        name = str(previous)
        start, end = _place(previous)
        nearest = OTHER_FUNCTIONS.get(name.lower()) or _nearest(name, FUNCTIONS)
        hint = (
            f"did you mean '{nearest}'?" if nearest else "there are rising(x), falling(x) and held(x, 500 ms)"
        )
        return TextError(f"'{shorten(name)}' is not a function", start, end, hint)
    if token.type == "RIGHT" and not any(known.type == "LEFT" for known in before):
        return TextError("there is no '(' for this ')'", start, end)
    return TextError(
        f"{message}: expected {_words(expected)}", start, end, _hint(token, previous, expected, text)
    )


def _words(expected: set[str]) -> str:
    """What may stand here, in words."""
    if expected == {"NAME"}:
        return "a name"
    if expected == {"NUMBER"}:
        return "a number"
    if expected == {"TIME"}:
        return "a time such as 500 ms"
    if expected == {"LEFT"}:
        return "'('"
    if "NAME" in expected:
        return "a name, a number, 'not' or '('"
    if "COMMA" in expected:
        return "',' and a time such as 500 ms"
    if "RIGHT" in expected:
        return "')' or an operator such as 'and'"
    return "an operator such as 'and', or the end"


def _hint(token: Token, previous: Token | None, expected: set[str], whole: str) -> str:
    """What was probably meant."""
    text = shorten(str(token))
    if token.type == "TIME":
        return "a time stands only in held(x, 500 ms), and in 'after', 'within' and 'for' of the file"
    if expected == {"TIME"} and token.type == "NUMBER":
        word = re.match(r"\s*([a-z]*)", whole[token.end_pos :], re.IGNORECASE)
        unit = OTHER_SPELLINGS.get(word.group(1).lower(), "ms") if word else "ms"
        return f"say '{text} {unit}'"
    if token.type == "COMMA":
        return "rising(x) and falling(x) take one thing, held(x, 500 ms) also a time"
    if previous is not None and previous.type == "SUB" and token.type == "NAME":
        return f"only numbers can be negative; say '0 - {text}'"
    if "NAME" not in expected and token.type == "NAME":
        if previous is not None and previous.type == "NUMBER":
            known = OTHER_SPELLINGS.get(text.lower())
            return f"say '{previous} {known}'" if known else ""
        meant = {"is": "=", "equals": "="}.get(text.lower()) or _nearest(text, ("and", "or", "xor"))
        if meant:
            return f"did you mean '{meant}'?"
        if previous is not None and _nearest(str(previous), ("not",)):
            return f"did you mean 'not' instead of '{shorten(str(previous))}'?"
        return ""
    if token.type in FUNCTION_TOKENS or token.type == "AT":
        return f"'{text}' is a word of the language and no name"
    return ""


def _nearest(text: str, words: tuple[str, ...]) -> str | None:
    found = get_close_matches(text.lower(), words, n=1, cutoff=0.6)
    return found[0] if found else None
