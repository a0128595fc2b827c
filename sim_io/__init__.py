"""Simulated switches, parts and faults: the physical machine around the controller."""

from .faults import Fault, FaultKind, faults_of
from .parts import PartProgram, lower_part
from .plant import Plant, lower_plant
from .simulation import Frame, Simulation

__all__ = [
    "Fault",
    "FaultKind",
    "Frame",
    "PartProgram",
    "Plant",
    "Simulation",
    "faults_of",
    "lower_part",
    "lower_plant",
]
