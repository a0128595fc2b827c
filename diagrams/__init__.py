"""Floor 4: everything a person looks at, derived from the machine and from nothing else."""

from .diagram import Diagram
from .graphs.machine_diagram import machine_diagram
from .graphs.renderer import Picture, Renderer, find_renderer
from .graphs.state_diagram import state_diagram

__all__ = [
    "Diagram",
    "Picture",
    "Renderer",
    "find_renderer",
    "machine_diagram",
    "state_diagram",
]
