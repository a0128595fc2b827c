"""z3, as proofs and cross-checks name it: whether it is there, and by what method an answer was found."""

from __future__ import annotations

from collections.abc import Callable

from stillgate.controller.errors import ToolMissing

INDUCTION = "proof by induction"
REPLAY = "way, replayed"
RANKS = "ranked states"

Tell = Callable[[str], None]
"""Takes a sentence on what is being done."""


def solver_name() -> str:
    """Name and version of z3.

    Raises:
        ToolMissing: if it is not installed, with how to get it.
    """
    try:
        import z3
    except ImportError:
        raise ToolMissing(
            "a second opinion needs z3, which is not installed; get it by: pip install 'stillgate[z3]'"
        ) from None
    return f"z3 {z3.get_version_string()}"
