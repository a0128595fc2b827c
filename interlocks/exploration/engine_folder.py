"""The C of an engine as texts by file name: what a checker's translation unit is compiled with."""

from __future__ import annotations

from pathlib import Path

ENGINE = Path(__file__).parent / "engine"
"""The explicit exploration; ``explorer.c`` says how it works."""


def engine_files(folder: Path = ENGINE) -> dict[str, str]:
    """Every C file of an engine."""
    return {
        path.name: path.read_text(encoding="utf-8")
        for path in sorted(folder.iterdir())
        if path.suffix in {".c", ".h"}
    }
