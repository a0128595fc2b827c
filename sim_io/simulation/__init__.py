"""Simulated runs, in Python and, by the million scans, in C."""

from __future__ import annotations

__all__: list[str] = []
