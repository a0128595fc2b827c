"""Logs of a running machine: their values, the recorder, readers and writers."""

from __future__ import annotations

__all__: list[str] = []
