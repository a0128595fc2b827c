"""Exploration with sets of times: what a machine can do, at a cost that does not grow with its times."""

from __future__ import annotations
