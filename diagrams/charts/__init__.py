"""Timing charts: lanes over one time axis, drawn as SVG."""

from __future__ import annotations

__all__: list[str] = []
