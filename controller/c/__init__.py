"""The controller as C, and the compilers that build it."""

from __future__ import annotations

__all__: list[str] = []
