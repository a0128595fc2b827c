"""State diagrams and signal flow."""

from __future__ import annotations

__all__: list[str] = []
