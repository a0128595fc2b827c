"""Physical parts: one file a kind, each lowering its model to cells, truths and moves.

A new kind is a file here with one function of the signature of ``lower_spin`` and a case in
``registry.lower_part``; the other places are listed in DEVELOPERS.md.
"""

from .base import PartProgram, PlantNames, Timer
from .registry import lower_part

__all__ = ["PartProgram", "PlantNames", "Timer", "lower_part"]
