"""Results of checks, kept by everything they depend on, and found again without reading the machine.

A verdict depends on these and on nothing else, and ``check_key`` covers them all:

* the machine file: bytes, and name, which stands in messages;
* the options as they were asked for. Not threads, memory and time: they decide whether a search
  is exhausted, and only exhausted searches are kept;
* Stillgate: version and every file of the layers that check (this package and those below): code,
  C sources, grammar;
* the libraries that read the file, and Python, by version;
* the compiler, its surroundings and the kind of computer, by ``Compiler.identity``.

So a result is found again only if the same check would compute it again; and it says all that
whoever asks wants to know, so the file need not be read into a machine for it. It is believed
only if it is what was kept, byte for byte (``kept_files``).
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from stillgate.controller.c.toolchain import find_compiler
from stillgate.controller.errors import ToolMissing
from stillgate.controller.expressions.durations import Milliseconds
from stillgate.controller.kept_files import find_kept, keep

from ..results.verdict import CheckResult

_RESULTS = TypeAdapter(CheckResult)
_FLOORS = ("stillgate.controller", "stillgate.sim_io", "stillgate.interlocks")
_READERS = ("pydantic", "pydantic-core", "lark", "ruamel.yaml")
_PROVER = "z3-solver"  # decides what searches leave open, where it is installed
_RESULTS_FOLDER = "results"


def check_key(
    source: bytes,
    path: str | Path,
    *,
    tick: Milliseconds | None = None,
    faults: int | None = None,
    overlaps: bool = False,
) -> str:
    """The key of a check.

    Args:
        source: bytes of the machine file.
        path: the file; its folder does not count.
        tick: as asked of ``check``: None for the file's, 0 for the controller's scan.
        faults: as asked; None for the file's.
        overlaps: whether exits that are true at once are looked for.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    options = repr((Path(path).name, tick, faults, overlaps)).encode()
    return result_key([source, options, find_compiler().identity.encode(), _code()])


def kept_result(
    source: bytes,
    path: str | Path,
    *,
    tick: Milliseconds | None = None,
    faults: int | None = None,
    overlaps: bool = False,
) -> CheckResult | None:
    """What the very same check of a file said before; None if it is not kept. Arguments as of ``check_key``.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    kept = load_result(check_key(source, path, tick=tick, faults=faults, overlaps=overlaps))
    return None if kept is None else replace(kept, from_cache=True)


@cache
def _code() -> bytes:
    """Digest of the code that a result comes from; a version alone does not change while one works on it."""
    prover = (_PROVER,) if find_spec("z3") else ()
    versions = (sys.version, *(f"{name} {version(name)}" for name in ("stillgate", *_READERS, *prover)))
    digest = hashlib.sha256("\n".join(versions).encode())
    for name in _FLOORS:
        for place, path in _code_files(name):
            digest.update(f"{name} {place}\0".encode())
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.digest()


def _code_files(package: str) -> Iterator[tuple[str, Path]]:
    """Every file of a package, with its place in it, but what Python makes of the others."""
    spec = find_spec(package)
    for folder in (spec and spec.submodule_search_locations) or ():
        for path in sorted(Path(folder).rglob("*")):
            if path.is_file() and path.parent.name != "__pycache__":
                yield path.relative_to(folder).as_posix(), path


def result_key(parts: list[bytes]) -> str:
    """Digest of everything a result depends on."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)
    return digest.hexdigest()[:40]


def load_result(key: str) -> CheckResult | None:
    """A kept result, or None; a damaged one counts as none.

    Raises:
        ToolMissing: if the cache folder cannot be used.
    """
    content = find_kept(_RESULTS_FOLDER, f"{key}.json")
    return None if content is None else read_result(content)


def keep_result(key: str, result: CheckResult) -> None:
    """Keeps a result; a cache that cannot be written is no reason to lose it."""
    with suppress(ToolMissing):
        keep(_RESULTS_FOLDER, f"{key}.json", result_bytes(result))


def result_bytes(result: CheckResult) -> bytes:
    """A result as it is kept."""
    return _RESULTS.dump_json(result)


def read_result(content: bytes) -> CheckResult | None:
    """A result out of what was kept; None if it is none."""
    try:
        return _RESULTS.validate_json(content)
    except ValidationError:
        return None
