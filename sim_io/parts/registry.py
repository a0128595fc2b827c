"""Finds the lowering of a part by its kind; what else knows the kinds is listed in DEVELOPERS.md."""

from __future__ import annotations

from stillgate.controller.machine_file.machine import Automaton, Flow, Spin, Travel

from .automaton import lower_automaton
from .base import PartProgram, PlantNames
from .flow import lower_flow
from .spin import lower_spin
from .travel import lower_travel


def lower_part(name: str, part: Spin | Travel | Flow | Automaton, names: PlantNames) -> PartProgram:
    """The program of a part of any kind."""
    match part:
        case Spin():
            return lower_spin(name, part, names)
        case Travel():
            return lower_travel(name, part, names)
        case Flow():
            return lower_flow(name, part, names)
        case Automaton():
            return lower_automaton(name, part, names)
