"""Simulated runs judged by the requirements: scenarios and soak."""

from __future__ import annotations

__all__: list[str] = []
