"""Runs, replays, diagnoses and explanations as text and JSON."""

from __future__ import annotations

__all__: list[str] = []
