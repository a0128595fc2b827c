"""A log fed to the controller again, in lockstep with what was recorded."""

from __future__ import annotations

__all__: list[str] = []
