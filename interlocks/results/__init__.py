"""What a check, an analysis and a recording say, as frozen values, and requirements in words."""

from __future__ import annotations

__all__: list[str] = []
