"""Conditions: text, tree, kinds, times."""

from __future__ import annotations

__all__: list[str] = []
