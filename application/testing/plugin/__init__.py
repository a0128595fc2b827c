"""What the pytest plugin collects: machine files and scenarios, an item a requirement."""

from __future__ import annotations

__all__: list[str] = []
