"""Everything a person looks at, derived from the machine and from nothing else."""

from .diagram import Diagram
from .graphs.renderer import Picture, Renderer, find_renderer
from .graphs.signal_flow import machine_diagram
from .graphs.state_graph import state_diagram

__all__ = [
    "Diagram",
    "Picture",
    "Renderer",
    "find_renderer",
    "machine_diagram",
    "state_diagram",
]
