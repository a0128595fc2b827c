"""The step program and its lowering, the one meaning every other form is derived from."""

from __future__ import annotations

__all__: list[str] = []
