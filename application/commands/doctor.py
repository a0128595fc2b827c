"""``stillgate doctor``: what is installed, what is optional, and how to get it."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass

from ..console.terminal import write_line
from .options import Format

OPTIONAL = (
    ("ziglang", "a C compiler out of a wheel, where none is installed", "pip install 'stillgate[cc]'"),
    ("z3", "a second opinion on requirements by another method", "pip install z3-solver"),
    ("pyarrow", "traces and logs in Parquet", "pip install 'stillgate[trace]'"),
    ("pyvcd", "traces for waveform viewers", "pip install 'stillgate[trace]'"),
    ("python-can", "reading CAN logs", "pip install 'stillgate[can]'"),
    ("cantools", "decoding CAN logs", "pip install 'stillgate[can]'"),
    ("jinja2", "the evidence report", "pip install 'stillgate[report]'"),
    ("watchfiles", "checking again after every save", "pip install 'stillgate[watch]'"),
    ("numba", "the benchmarks' comparison with compiled Python", "pip install 'stillgate[bench]'"),
    ("pytest", "tests of machine files", "pip install 'stillgate[pytest]'"),
    ("hypothesis", "property tests of machine files", "pip install 'stillgate[pytest]'"),
)
"""Import name, purpose, and how to get it."""

REQUIRED = (
    ("pydantic", "the sections of the machine file"),
    ("ruamel.yaml", "reading YAML with positions"),
    ("lark", "reading expressions"),
    ("cyclopts", "this command line"),
    ("rich", "tables and progress"),
    ("transitions", "the reference controller"),
    ("graphviz", "diagrams as text"),
)
"""Distribution and what it does here."""

NEEDED = "needed"
EXTRA = "optional"


@dataclass(frozen=True, slots=True)
class Item:
    """One thing looked for."""

    name: str
    found: bool
    detail: str  # version or place, or how to get it
    purpose: str
    need: str  # needed or optional


def doctor(*, form: Format = "text") -> int:
    """Say what is installed, what is optional, and how to get it.

    Exit status: 0 if everything that check and draw need is there, else 1.

    Parameters
    ----------
    form
        Text for a person, json for a program.
    """
    items = examine()
    fit = all(item.found for item in items if item.need == NEEDED)
    if form == "json":
        rows = [
            {"name": i.name, "found": i.found, "need": i.need, "purpose": i.purpose, "detail": i.detail}
            for i in items
        ]
        write_line(json.dumps({"ready": fit, "items": rows}, indent=2))
    else:
        _print(items, fit)
    return 0 if fit else 1


def examine() -> list[Item]:
    """Looks for everything."""
    return [
        _python(),
        *map(_package, REQUIRED),
        _compiler(),
        _renderer(),
        _cache(),
        *map(_optional, OPTIONAL),
    ]


def _python() -> Item:
    version = ".".join(map(str, sys.version_info[:3]))
    return Item("Python", sys.version_info >= (3, 11), version, "3.11 or later", NEEDED)


def _version(name: str) -> str | None:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version({"z3": "z3-solver"}.get(name, name))
    except PackageNotFoundError:
        return None


def _package(row: tuple[str, str]) -> Item:
    name, purpose = row
    version = _version(name)
    return Item(name, version is not None, version or "pip install stillgate", purpose, NEEDED)


def _compiler() -> Item:
    from stillgate.controller.c.toolchain import find_compiler
    from stillgate.controller.errors import ToolMissing

    purpose = "check explores the generated C"
    try:
        compiler = find_compiler()
    except ToolMissing as error:
        return Item("C compiler", False, str(error), purpose, NEEDED)
    return Item("C compiler", True, " ".join(compiler.command), purpose, NEEDED)


def _renderer() -> Item:
    from stillgate.controller.errors import ToolMissing
    from stillgate.diagrams.graphs.renderer import find_renderer

    purpose = "draw lays out diagrams"
    try:
        return Item("diagram renderer", True, find_renderer().version, purpose, NEEDED)
    except ToolMissing as error:
        return Item("diagram renderer", False, str(error), purpose, NEEDED)


def _cache() -> Item:
    from stillgate.controller.c.toolchain import fit_cache
    from stillgate.controller.errors import ToolMissing

    purpose = "built libraries and earlier checks"
    try:
        return Item("cache folder", True, str(fit_cache()), purpose, NEEDED)
    except ToolMissing as error:
        return Item("cache folder", False, str(error), purpose, NEEDED)


def _optional(row: tuple[str, str, str]) -> Item:
    name, purpose, how = row
    version = _version(name)
    return Item(name, version is not None, version or how, purpose, EXTRA)


def _print(items: list[Item], fit: bool) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from ..console.terminal import output_console

    console = output_console()
    for need in (NEEDED, EXTRA):
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
        table.add_column(need, no_wrap=True)
        table.add_column("", no_wrap=True)
        table.add_column("what is there, or how to get it", overflow="fold", ratio=1)
        table.add_column("for", overflow="fold", ratio=1)
        for item in items:
            if item.need == need:
                word = "found" if item.found else "missing"
                style = "green" if item.found else "bold red" if need == NEEDED else "yellow"
                table.add_row(Text(item.name), Text(word, style=style), Text(item.detail), Text(item.purpose))
        console.print(table)
        write_line("")
    write_line("Ready to check and draw." if fit else "Something needed is missing; see above.")
