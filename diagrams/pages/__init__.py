"""Pages: the evidence report as HTML and PDF."""

from __future__ import annotations

__all__: list[str] = []
