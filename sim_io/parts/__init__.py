"""Physical parts: one file a kind, each lowering its model to cells, truths and moves.

Adding a kind: a model in ``controller/machine_file/machine.py``, a file here with one function of the
signature of ``lower_spin``, and a case in ``registry.lower_part``.
"""

from .base import PartProgram, PlantNames, Timer
from .registry import lower_part

__all__ = ["PartProgram", "PlantNames", "Timer", "lower_part"]
