"""Fault table, layers, strength, comparison and second opinion: a file each, text and JSON side by side."""

from __future__ import annotations

__all__: list[str] = []
