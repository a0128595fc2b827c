"""Files of the command line: written whole or not at all."""

from __future__ import annotations

__all__: list[str] = []
