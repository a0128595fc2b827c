"""Whether a machine has so few situations that they are searched one by one: for what asks more than a check.

As in a check (``search_plan``): where those without a fault are too many, those with one are not begun.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine

from ..exploration.explorer import Progress
from ..exploration.search import Search, build_checker
from ..loop.closed_loop import close_loop
from ..requirements.monitors import asks_possibility
from . import search_plan


def few_situations(
    machine: Machine,
    tick: Milliseconds,
    effort: Effort,
    progress: Callable[[Progress], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> bool:
    """Whether those without a fault are at most ``FEW``: a search of the check's own loop, for a second.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    try:
        effort.look()
        loop = close_loop(machine, tick=tick, faults=0, exact=asks_possibility(machine))
        library = build_checker(loop, on_slow_build, effort)
    except OutOfTime:
        return False
    except KeyboardInterrupt:
        effort.stop.set()
        return False
    with Search(loop, library, replace(effort, states=search_plan.FEW)) as search:
        return search.run(progress).exhausted
