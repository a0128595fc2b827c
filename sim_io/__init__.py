"""Simulated switches, parts and faults: the physical machine around the controller."""

from .faults.fault_list import Fault, FaultKind, faults_of
from .parts import PartProgram, lower_part
from .parts.plant import Plant, lower_plant
from .simulation.simulation import Frame, Simulation

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
