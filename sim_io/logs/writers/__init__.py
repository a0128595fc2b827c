"""Writers of traces, one file a format."""

from __future__ import annotations

__all__: list[str] = []
