"""Mutants of a machine file: which change no requirement detects."""

from __future__ import annotations

__all__: list[str] = []
