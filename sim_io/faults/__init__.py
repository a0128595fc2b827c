"""What can go wrong: single faults, disturbances of switches and valves."""

from __future__ import annotations

__all__: list[str] = []
