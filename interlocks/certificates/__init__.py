"""Certificates that can be handed on, and their re-check by other means."""

from __future__ import annotations

__all__: list[str] = []
