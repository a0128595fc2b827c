"""Reads a machine file: YAML text to models, every problem at its place, all of them at once."""

from __future__ import annotations

__all__: list[str] = []
