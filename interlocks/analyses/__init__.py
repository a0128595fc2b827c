"""How strong the evidence is: faults, layers, coverage, versions, a second opinion."""

from __future__ import annotations

__all__: list[str] = []
