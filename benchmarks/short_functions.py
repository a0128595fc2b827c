"""Cuts one long function of generated Python into short ones that call each other.

A compiler of Python functions takes a time, and a depth of recursion, that grow with the
branches of a single function. So runs of statements become functions of their own: each is
handed the variables it reads, and gives back those it sets that are read elsewhere. What
leaves a loop or the function (``break``, ``return``) stays where it is.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Sequence

MOST_BRANCHES = 50
"""Branches of a function before it is cut further; numba recurses a few times for each."""

_WORDS = re.compile(r"(base|to)\d+|h|mask")
"""Variables that hold machine words; the others hold whole numbers."""


def with_short_functions(text: str) -> str:
    """The text of a module whose last statement is a long function, with functions before it."""
    module = ast.parse(text)
    long = module.body[-1]
    assert isinstance(long, ast.FunctionDef)
    cutter = _Cutter(long)
    long.body = cutter.body(long.body)
    handed = sorted(cutter.handed - {item.arg for item in long.args.args})
    begin = ast.parse("\n".join(f"{name} = {_kind(name)}(0)" for name in handed)).body
    long.body = [*begin, *long.body]
    module.body[-1:] = [*cutter.functions, long]
    return ast.unparse(module) + "\n"


def _kind(name: str) -> str:
    return "uint64" if _WORDS.fullmatch(name) else "int64"


class _Cutter:
    def __init__(self, long: ast.FunctionDef) -> None:
        self.functions: list[ast.stmt] = []
        self.handed: set[str] = set()
        self.arguments = {item.arg for item in long.args.args}
        self.places: dict[str, set[int]] = {}
        for node in ast.walk(long):
            if isinstance(node, ast.Name):
                self.places.setdefault(node.id, set()).add(id(node))
        self.stored = {
            node.id
            for node in ast.walk(long)
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
        }

    def body(self, body: Sequence[ast.stmt]) -> list[ast.stmt]:
        """The statements with their insides cut, then cut themselves."""
        result: list[ast.stmt] = []
        run: list[ast.stmt] = []
        for statement in body:
            self._inside(statement)
            if _leaves(statement):
                result += [*self._function(run), statement]
                run = []
                continue
            if _branches([*run, statement]) > MOST_BRANCHES:
                result += self._function(run)
                run = []
            run.append(statement)
        return [*result, *self._function(run)]

    def _inside(self, statement: ast.stmt) -> None:
        if isinstance(statement, (ast.For, ast.While)):
            statement.body = self.body(statement.body)
        elif isinstance(statement, ast.If) and _branches([statement]) > MOST_BRANCHES:
            statement.body = self.body(statement.body)
            if statement.orelse:
                statement.orelse = self.body(statement.orelse)

    def _function(self, run: Sequence[ast.stmt]) -> list[ast.stmt]:
        """A call of the new function of these statements; themselves if they hardly branch."""
        if _branches(run) <= MOST_BRANCHES // 10:
            return list(run)
        names = [node for item in run for node in ast.walk(item) if isinstance(node, ast.Name)]
        own = {id(node) for node in names}
        elsewhere = {name for name, places in self.places.items() if places - own}
        kept = sorted({n.id for n in names if isinstance(n.ctx, ast.Store) and n.id in elsewhere})
        taken = sorted({n.id for n in names if n.id in self.arguments or n.id in self.stored & elsewhere})
        self.handed |= set(taken)
        name = f"piece{len(self.functions)}"
        values = ", ".join(f"{_kind(item)}({item})" for item in kept)
        head = ast.parse(f"def {name}({', '.join(taken)}):\n return ({values}{',' if values else ''})")
        function = head.body[0]
        assert isinstance(function, ast.FunctionDef)
        function.body = [*run, *(function.body if kept else [])]
        self.functions.append(function)
        call = f"{name}({', '.join(taken)})"
        made = ast.parse(f"({', '.join(kept)},) = {call}" if kept else call).body
        for node in (node for item in made for node in ast.walk(item) if isinstance(node, ast.Name)):
            self.places.setdefault(node.id, set()).add(id(node))
        return made


def _branches(statements: Iterable[ast.AST]) -> int:
    """Places where the flow of control forks."""
    count = 0
    for statement in statements:
        for node in ast.walk(statement):
            if isinstance(node, (ast.If, ast.IfExp, ast.While, ast.For)):
                count += 1
            elif isinstance(node, ast.BoolOp):
                count += len(node.values) - 1
    return count


def _leaves(statement: ast.stmt) -> bool:
    """Whether a statement may leave the function, or a loop around it."""
    if isinstance(statement, (ast.Break, ast.Continue, ast.Return)):
        return True
    inner = [node for node in ast.iter_child_nodes(statement) if isinstance(node, ast.stmt)]
    if isinstance(statement, (ast.For, ast.While)):
        return any(isinstance(node, ast.Return) for node in ast.walk(statement))
    return any(_leaves(node) for node in inner)
