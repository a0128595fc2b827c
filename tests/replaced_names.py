"""A name that a test replaces in a module of the product must be the one that the product asks.

Once a helper replaced ``build_checker`` where it is written; the module that called it had imported the name
for itself, so nothing was replaced, and every checker was compiled as users do, unnoticed. Two rules would
have met it, and are held against each replacement while tests run:

- some function looks the name up in that module when it runs, or imports it from there then;
- where the module is the one that the name is written in, and nobody imports it only then, no other module
  keeps the old value under that name.
"""

from __future__ import annotations

import ast
import dis
import inspect
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

PRODUCT = "stillgate"

ONLY_THERE = {"stillgate.controller.program.footprint.may_leave_range"}
"""Replaced in its own module alone on purpose: the mistake is made in what is dropped, not what is marked."""


def complaint(module: ModuleType, name: str) -> str | None:
    """Why replacing a name of a module would not be noticed by the product; None if it would."""
    if not _of_product(module.__name__) or not hasattr(module, name):
        return None  # what is not there is refused by pytest itself
    if not _asked(module, name):
        return f"no function asks {module.__name__} for {name} when it runs"
    old = getattr(module, name)
    if getattr(old, "__module__", module.__name__) != module.__name__ or not _written_in(module, name):
        return None  # imported: who replaces it here means this module's own
    if f"{module.__name__}.{name}" in ONLY_THERE or any(name in _looked_up(it)[1] for it in _loaded()):
        return None
    keeping = [other.__name__ for other in _loaded() if other is not module and _keeps(other, name, old)]
    if keeping:
        return f"{' and '.join(sorted(keeping))} imported {name} from {module.__name__}: replace it there"
    return None


def _of_product(name: str) -> bool:
    return name == PRODUCT or name.startswith(f"{PRODUCT}.")


def _loaded() -> list[ModuleType]:
    return [item for name, item in list(sys.modules.items()) if _of_product(name) and item is not None]


def _keeps(module: ModuleType, name: str, old: Any) -> bool:
    """Whether a function of a module looks up the old value, which the module imported."""
    return vars(module).get(name) is old and not _written_in(module, name) and name in _looked_up(module)[0]


def _asked(module: ModuleType, name: str) -> bool:
    if name in _looked_up(module)[0]:
        return True
    for other in _loaded():
        late, attributes = _looked_up(other)[1:]
        if name in late or (name in attributes and any(item is module for item in vars(other).values())):
            return True
    return False


@cache
def _tree(module: ModuleType) -> ast.Module:
    file = inspect.getsourcefile(module)
    return ast.parse(Path(file).read_text(encoding="utf-8") if file else "")


@cache
def _written_names(module: ModuleType) -> frozenset[str]:
    names: set[str] = set()
    for item in _tree(module).body:
        match item:
            case ast.FunctionDef(name=name) | ast.ClassDef(name=name):
                names.add(name)
            case ast.Assign(targets=targets):
                names |= {target.id for target in targets if isinstance(target, ast.Name)}
            case ast.AnnAssign(target=ast.Name(id=name)):
                names.add(name)
    return frozenset(names)


def _written_in(module: ModuleType, name: str) -> bool:
    return name in _written_names(module)


@cache
def _looked_up(module: ModuleType) -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
    """What functions of a module ask for when they run: global names, late imports, attributes.

    Default values are not among them: they are looked up once, when the function is made.
    """
    asked: set[str] = set()
    late: set[str] = set()
    attributes: set[str] = set()
    for code in _functions(compile(_tree(module), module.__name__, "exec")):
        for step in dis.get_instructions(code):
            match step.opname:
                case "LOAD_GLOBAL":
                    asked.add(step.argval)
                case "IMPORT_FROM":
                    late.add(step.argval)
                case "LOAD_ATTR" | "LOAD_METHOD":
                    attributes.add(step.argval)
    return frozenset(asked), frozenset(late), frozenset(attributes)


def _functions(code: CodeType) -> Iterator[CodeType]:
    """The code of functions, those in classes and in other functions too; not what runs at import."""
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            if inner.co_flags & inspect.CO_OPTIMIZED:
                yield inner
            yield from _functions(inner)
