"""Whether an expression gives a truth or a number, and between which bounds.

``and or xor not`` join truths; ``+ - < <= > >=`` take numbers; ``= <>`` compare two of a kind.
``rising``, ``falling`` and ``held`` take a truth, remember its past in the controller or in a
requirement's monitor, and do not stand inside one another.

Expressions are judged as they stand in the file. A named condition is judged anew in every place where
it stands, since what it may read depends on the place; what is wrong with it wherever it stands is said
once, where it is defined.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from ..errors import TextError
from ..expressions.expression import (
    At,
    Binary,
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
from .namespace import (
    KNOWS_ALL,
    PHYSICAL,
    BroughtIn,
    ConditionUse,
    Context,
    MemoryRef,
    Namespace,
    OutputRef,
    PartTruthRef,
    memory_bounds,
)


class ConditionError(TextError):
    """What is wrong with a named condition in the place where it stands."""

    def __init__(self, cause: BroughtIn, name: str, start: int, end: int) -> None:
        through = "".join(f" through '{way}'" for way in cause.through)
        super().__init__(f"{cause.message}; '{name}' brings it in{through}", start, end, cause.hint)
        self.cause, self.name = cause, name


class Kind(Enum):
    """What an expression gives."""

    TRUTH = "a truth"
    NUMBER = "a number"


@dataclass(frozen=True, slots=True)
class ValueType:
    """Kind and bounds of an expression; a truth has the bounds 0 and 1."""

    kind: Kind
    low: int
    high: int


TRUTH = ValueType(Kind.TRUTH, 0, 1)
INT32 = (-(2**31), 2**31 - 1)
COMPARISONS = (Operator.LT, Operator.LE, Operator.GT, Operator.GE)


def type_of(names: Namespace, tree: Expression, context: Context, part: str | None = None) -> ValueType:
    """Kind and bounds of an expression; ``part`` is the part whose expression it is.

    Raises:
        TextError: the first name or type error; offsets count within the expression's text.
    """
    checker = _TypeChecker(names, context, part)
    found = checker.type_of(tree)
    if checker.problems or found is None:
        raise checker.problems[0]
    return found


def problems_in(
    names: Namespace,
    tree: Expression,
    context: Context,
    part: str | None = None,
    *,
    wanted: Kind = Kind.TRUTH,
) -> tuple[TextError, ...]:
    """Every independent name and type error of an expression that should give ``wanted``."""
    checker = _TypeChecker(names, context, part)
    checker.want(tree, wanted, "this must be")
    return tuple(checker.problems)


def is_sound(names: Namespace, name: str) -> bool:
    """Whether a named condition can be written out and is a condition at all, wherever it may stand."""
    if name in names.not_written_out:
        return False
    return _brought_in(names, ConditionUse(name, Context.CONDITION)) is None


def _brought_in(names: Namespace, use: ConditionUse) -> BroughtIn | None:
    """The first thing wrong with a named condition in a place; those inside it are at most 64 deep."""
    if use not in names.brought_in:
        checker = _TypeChecker(names, use.context, use.part)
        checker.inside, checker.definition = use.inside, use.name
        checker.want(names.machine.conditions[use.name].when.written, Kind.TRUTH, "this must be")
        names.brought_in[use] = _cause(checker.problems[0], use.name) if checker.problems else None
    return names.brought_in[use]


def _cause(problem: TextError, definition: str) -> BroughtIn:
    if isinstance(problem, ConditionError):
        return replace(problem.cause, through=(problem.name, *problem.cause.through))
    return BroughtIn(problem.message, problem.hint, definition, Span(problem.start, problem.end))


class _TypeChecker:
    """Walks one expression and collects what is wrong; None is the type of a reported fault."""

    def __init__(self, names: Namespace, context: Context, part: str | None) -> None:
        self.names, self.context, self.part = names, context, part
        self.problems: list[TextError] = []
        self.inside: str | None = None  # name of the edge or hold around the node
        self.definition = ""  # name of the condition whose text this is

    def type_of(self, tree: Expression) -> ValueType | None:
        match tree:
            case Truth():
                return TRUTH
            case Number(value=value):
                return ValueType(Kind.NUMBER, value, value)
            case Name(path=path, span=span):
                return self._type_of_name(path, span)
            case At(place=place, span=span):
                try:
                    self.names.resolve_at(place, self.context, self.part)
                except TextError as error:
                    return self._report(error.message, Span(span.end - len(place), span.end), error.hint)
                return TRUTH
            case Not(operand=operand):
                return self.want(operand, Kind.TRUTH, "'not' needs")
            case EdgeOf(edge=edge, argument=argument):
                return self._type_of_memory(edge.value, argument, tree.span)
            case HeldFor(argument=argument):
                return self._type_of_memory("held", argument, tree.span)
            case Binary():
                return self._type_of_binary(tree)

    def want(self, tree: Expression, kind: Kind, why: str) -> ValueType | None:
        """The type of an operand, reported if it is of the other kind."""
        found = self.type_of(tree)
        if found is not None and found.kind is not kind:
            hint = (
                "compare it, as in 'count > 0'"
                if kind is Kind.TRUTH
                else "numbers are counters and constants"
            )
            return self._report(f"{why} {kind.value}, and this is {found.kind.value}", tree.span, hint)
        return found

    def _type_of_name(self, path: str, span: Span) -> ValueType | None:
        if self.names.is_condition(path):
            return self._type_of_condition(path, span)
        try:
            found = self.names.resolve(path, self.context, self.part)
        except TextError as error:
            return self._report(
                error.message, Span(span.start + error.start, span.start + error.end), error.hint
            )
        if self.definition and isinstance(found, PartTruthRef) and found.truth == path:
            return self._report(
                f"'{path}' is a truth of '{found.part}' itself here", span,
                "give the other thing of this name another one",
            )  # fmt: skip
        if isinstance(found, OutputRef) and self.inside and self.context is Context.INTERLOCK:
            return self._report(
                f"in an interlock '{self.inside}' reads inputs, states and memory, not outputs", span,
                "outputs are being decided there and have no past yet",
            )  # fmt: skip
        if isinstance(found, MemoryRef):
            memory = self.names.machine.memory[found.name]
            if memory.range is not None:
                return ValueType(Kind.NUMBER, *memory_bounds(memory))
        return TRUTH

    def _type_of_condition(self, path: str, span: Span) -> ValueType:
        """A named condition, or the controller's own view of one; a truth, whatever else is wrong with it."""
        name = path.removeprefix("seen.")
        if not is_sound(self.names, name):
            return TRUTH
        context = self.context
        if path != name:
            if context not in KNOWS_ALL:
                self._report(f"'{path}' may stand in requirements only", span, f"say '{name}'")
                return TRUTH
            context = Context.GUARD
        cause = _brought_in(self.names, ConditionUse(name, context, self.part, self.inside))
        if cause is not None:
            self.problems.append(ConditionError(cause, path, span.start, span.end))
        return TRUTH

    def _type_of_memory(self, function: str, argument: Expression, span: Span) -> ValueType | None:
        """``rising``, ``falling`` and ``held`` remember the past, which only the controller does."""
        if self.context in PHYSICAL:
            return self._report(
                f"'{function}' cannot stand in {self.context.value}", span,
                "a part has its own times: 'takes', 'runs_down', 'every'",
            )  # fmt: skip
        if self.inside is not None:
            return self._report(
                f"'{function}' cannot stand inside '{self.inside}'",
                span,
                "keep one of them in a state or bit",
            )
        self.inside = function
        found = self.want(argument, Kind.TRUTH, f"'{function}' needs")
        self.inside = None
        return TRUTH if found is not None else None

    def _type_of_binary(self, tree: Binary) -> ValueType | None:
        spelling = f"'{tree.operator.value}' needs"
        match tree.operator:
            case Operator.AND | Operator.OR | Operator.XOR:
                self.want(tree.left, Kind.TRUTH, spelling)
                self.want(tree.right, Kind.TRUTH, spelling)
                return TRUTH
            case Operator.EQ | Operator.NE:
                left, right = self.type_of(tree.left), self.type_of(tree.right)
                if left is not None and right is not None and left.kind is not right.kind:
                    return self._report(
                        f"'{tree.operator.value}' compares {left.kind.value} with {right.kind.value}",
                        tree.span, "both sides must be of one kind",
                    )  # fmt: skip
                return TRUTH
        left = self.want(tree.left, Kind.NUMBER, spelling)
        right = self.want(tree.right, Kind.NUMBER, spelling)
        if tree.operator in COMPARISONS:
            return TRUTH
        if left is None or right is None:
            return None
        if tree.operator is Operator.ADD:
            low, high = left.low + right.low, left.high + right.high
        else:
            low, high = left.low - right.high, left.high - right.low
        if low < INT32[0] or high > INT32[1]:
            return self._report(
                f"this can leave the 32-bit range: {low}..{high}",
                tree.span,
                "give the counters smaller ranges",
            )
        return ValueType(Kind.NUMBER, low, high)

    def _report(self, message: str, span: Span, hint: str) -> ValueType | None:
        self.problems.append(TextError(message, span.start, span.end, hint))
        return None
