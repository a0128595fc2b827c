"""The explicit exploration: every situation by itself, in C, breadth first."""

from __future__ import annotations

__all__: list[str] = []
