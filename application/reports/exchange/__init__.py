"""Forms for other programs: SARIF, JUnit, the schemas of every JSON output."""

from __future__ import annotations

__all__: list[str] = []
