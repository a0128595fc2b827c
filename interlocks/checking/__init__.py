"""The check: verdicts, findings and assumptions from the explorations of a machine."""

from __future__ import annotations

__all__: list[str] = []
