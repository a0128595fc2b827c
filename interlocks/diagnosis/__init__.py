"""Which single fault explains a log: sets of situations that agree with it."""

from __future__ import annotations

__all__: list[str] = []
