"""Simulated runs judged by the requirements: scenarios and soak. Monitors are those of the loop."""

from __future__ import annotations

__all__: list[str] = []
