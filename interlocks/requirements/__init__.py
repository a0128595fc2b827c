"""What a requirement means tick by tick: its conditions, its times, and the monitor that judges it."""

from __future__ import annotations

__all__: list[str] = []
