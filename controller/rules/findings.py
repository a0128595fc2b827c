"""A broken rule as a value, and the small checks that rules share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ..errors import Severity
from ..expressions.durations import shorten
from ..expressions.expression import Span
from ..expressions.grammar import DEEPEST
from ..machine_file.field_types import Condition
from ..machine_file.named_conditions import LARGEST_TREE, MOST_WRITTEN_OUT, SHORT_FORM, names_in
from .kinds import ConditionError, Kind, is_sound, problems_in
from .namespace import Context, Namespace, nearest_hint

Path = tuple[str | int, ...]
"""Keys and indices that lead to a place in the file, as they are written there."""

SINGULAR = {
    "inputs": "input", "outputs": "output", "memory": "memory", "parts": "part", "sequences": "sequence",
    "conditions": "named condition",
}  # fmt: skip
"""What one entry of a section is called."""


@dataclass(frozen=True, slots=True)
class RuleFinding:
    """A rule broken at a path.

    ``span`` narrows it to characters of the text there; ``at_key`` points at the key instead
    of the value; ``name`` is the name it is about, so that nothing is said twice about a name
    whose own section is broken. ``origin`` is where, in the machine file, a named condition brings in what
    is wrong here.
    """

    path: Path
    message: str
    hint: str
    severity: Severity
    span: Span | None = None
    at_key: bool = False
    name: str = ""
    origin: tuple[Path, Span] | None = None


def error(path: Path, message: str, hint: str = "", *, at_key: bool = False, name: str = "") -> RuleFinding:
    """A finding that stops the work."""
    return RuleFinding(path, message, hint, Severity.ERROR, None, at_key, name)


def warning(path: Path, message: str, hint: str = "", *, at_key: bool = False) -> RuleFinding:
    """A finding that the reader of the file should know of."""
    return RuleFinding(path, message, hint, Severity.WARNING, None, at_key)


def expression_findings(
    names: Namespace,
    path: Path,
    condition: Condition,
    context: Context,
    *,
    part: str | None = None,
    wanted: Kind = Kind.TRUTH,
) -> Iterator[RuleFinding]:
    """What is wrong with the names and kinds of an expression."""
    for problem in problems_in(names, condition.written, context, part, wanted=wanted):
        root = condition.text[: problem.end].rpartition(" ")[2].strip("(").partition(".")[0]
        origin = None
        if isinstance(problem, ConditionError):
            origin = (("conditions", problem.cause.by, SHORT_FORM), problem.cause.span)
        span = Span(problem.start, problem.end)
        yield RuleFinding(path, problem.message, problem.hint, Severity.ERROR, span, False, root, origin)
    yield from too_large(names, path, condition)


def too_large(names: Namespace, path: Path, condition: Condition) -> Iterator[RuleFinding]:
    """Says so of an expression whose named conditions are sound and would be too much together."""
    for node in names_in(condition.tree, names.machine.conditions):
        if not is_sound(names, node.path.removeprefix("seen.")):
            return
    if next(names_in(condition.tree, names.machine.conditions), None) is not None:
        yield error(
            path,
            f"with its named conditions written out this is too large: at most {DEEPEST} deep, "
            f"{LARGEST_TREE} names and operators here and {MOST_WRITTEN_OUT} in the whole file",
            "say less in one condition, or keep a part of it in a state of a sequence",
        )


def check_name(
    names: Namespace, path: Path, name: str, section: str, *, at_key: bool = False
) -> Iterator[RuleFinding]:
    """Says so if a name is not in a section, and what else it is or which was meant."""
    known: dict[str, object] = getattr(names.machine, section)
    if name in known:
        return
    what = SINGULAR[section]
    other = next((key for key in SINGULAR if name in getattr(names.machine, key)), None)
    if other is not None:
        article = "an" if other in ("inputs", "outputs") else "a"
        yield error(
            path, f"'{name}' is {article} {SINGULAR[other]}, and {_a(what)} is expected here",
            nearest_hint(name, known), at_key=at_key, name=name,
        )  # fmt: skip
        return
    hint = nearest_hint(name, known) if known else f"the file has no section '{section}'"
    yield error(path, f"there is no {what} '{shorten(name)}'", hint, at_key=at_key, name=name)


def _a(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"
