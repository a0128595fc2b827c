"""What every command says and hears: terminal, words, progress, signals."""

from __future__ import annotations

__all__: list[str] = []
