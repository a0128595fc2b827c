"""The reviewer's report, section by section."""

from __future__ import annotations

__all__: list[str] = []
