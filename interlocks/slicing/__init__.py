"""Slices: what of a machine can affect a requirement, the machine of that alone, a run of it on the whole."""

from __future__ import annotations

__all__: list[str] = []
