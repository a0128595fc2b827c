"""Results of checks, kept by everything they depend on, and found again without reading the machine.

The key covers the machine file's bytes and name, the version and the very code of the floors
that check it (this package and those below), the compiler and every option as it was asked for.
So a result is found again only if the same check would compute it again; and it says all that
whoever asks wants to know, so the file need not be read into a machine for it. Only exhausted
searches are kept.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

from pydantic import TypeAdapter, ValidationError
from stillgate.controller.durations import Milliseconds
from stillgate.controller.toolchain import cache_folder, find_compiler

from .verdict import CheckResult

_RESULTS = TypeAdapter(CheckResult)
_FLOORS = ("stillgate.controller", "stillgate.sim_io", "stillgate.interlocks")
_CODE = (".py", ".c", ".h")


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
    digest = hashlib.sha256(version("stillgate").encode())
    for name in _FLOORS:
        spec = find_spec(name)
        for folder in (spec and spec.submodule_search_locations) or ():
            for path in sorted(Path(folder).rglob("*")):
                if path.suffix in _CODE:
                    digest.update(f"{name} {path.relative_to(folder).as_posix()}\0".encode())
                    digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.digest()


def result_key(parts: list[bytes]) -> str:
    """Digest of everything a result depends on."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)
    return digest.hexdigest()[:40]


def _file(key: str) -> Path:
    folder = cache_folder() / "results"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder / f"{key}.json"


def load_result(key: str) -> CheckResult | None:
    """A kept result, or None; a damaged one counts as none."""
    try:
        return _RESULTS.validate_json(_file(key).read_bytes())
    except (OSError, ValidationError):
        return None


def keep_result(key: str, result: CheckResult) -> None:
    """Keeps a result; a cache that cannot be written is no reason to lose it."""
    target = _file(key)
    try:
        partial = target.with_suffix(".partial")
        partial.write_bytes(_RESULTS.dump_json(result))
        partial.replace(target)
    except OSError:
        return
