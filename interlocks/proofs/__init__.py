"""Proofs by z3: the Program as a transition system, induction, unrolling."""

from __future__ import annotations

__all__: list[str] = []
