"""What must fit together in a machine file, and what names mean."""

from __future__ import annotations

__all__: list[str] = []
