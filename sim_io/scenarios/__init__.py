"""Scenario files: what an operator does, what goes wrong, what is expected."""

from __future__ import annotations

__all__: list[str] = []
