"""A check as text, JSON and table."""

from __future__ import annotations

__all__: list[str] = []
