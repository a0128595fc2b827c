"""What a fault does to a machine: what is known of it, and how that is found over sets of times."""

from __future__ import annotations

__all__: list[str] = []
