"""The step of a set of times as C: which cells it holds, in which stages a tick runs, how each is written."""

from __future__ import annotations

__all__: list[str] = []
