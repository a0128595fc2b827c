"""Results of checks, kept by everything they depend on.

The key covers the machine file's bytes, the package version, the generated sources and the
engine's, the compiler and every option, so a result is found again only if the same check
would compute it again. Only exhausted searches are kept.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from pydantic import TypeAdapter, ValidationError
from stillgate.controller.toolchain import cache_folder

from .verdict import CheckResult

_RESULTS = TypeAdapter(CheckResult)


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
