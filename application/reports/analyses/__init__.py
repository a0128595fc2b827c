"""Fault table, layers, strength, comparison and second opinion as text and JSON."""

from __future__ import annotations

__all__: list[str] = []
