"""The reference executive, to be stepped and asked."""

from __future__ import annotations

__all__: list[str] = []
