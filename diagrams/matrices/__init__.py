"""The reviewer's matrices: cause and effect, interlocks, inputs and outputs."""

from __future__ import annotations

__all__: list[str] = []
