"""The closed loop: controller, parts, operator, faults and monitors linked to one program, and runs of it."""

from __future__ import annotations

__all__: list[str] = []
