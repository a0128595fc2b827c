"""The machine file as models, and its schema."""

from __future__ import annotations

__all__: list[str] = []
