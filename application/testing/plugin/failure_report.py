"""What pytest prints of a property test that failed: the story, or the user's own lines.

Hypothesis and the rules of a machine stand between a test and what failed in it. Nobody who
reads the failure looks for a mistake there, so their frames are left out; ``--full-trace``
shows them.
"""

from __future__ import annotations

from typing import Any

import pytest

from stillgate.controller.errors import ProgramFault

from ..failures import RequirementBroken
from ..rules import MachineRules

BETWEEN = ("stillgate.", "hypothesis.", "hypothesis_temporary_module_")
"""How names of modules begin whose frames are left out; Hypothesis makes some modules as it runs."""


def shortened(item: pytest.Item, excinfo: pytest.ExceptionInfo[BaseException]) -> Any:
    """The failure of a test as pytest takes it for a report; None if no run of a machine failed.

    Args:
        item: the test.
        excinfo: what it raised.
    """
    error = excinfo.value
    if isinstance(error, RequirementBroken):
        return _story(error)
    if type(error) is ExceptionGroup:  # several failures; what Hypothesis makes of flaky ones is a subclass
        return _several(item, error)
    if not any(isinstance(entry.frame.f_locals.get("self"), MachineRules) for entry in excinfo.traceback):
        return None
    own = excinfo.traceback.filter(
        lambda entry: not str(entry.frame.f_globals.get("__name__")).startswith(BETWEEN)
    )
    if own:
        excinfo.traceback = own
    return item.repr_failure(excinfo)


def _story(error: RequirementBroken) -> str:
    try:
        return str(error)
    except ProgramFault as fault:  # the reference controller does not agree
        return str(fault)


def _several(item: pytest.Item, group: ExceptionGroup[Exception]) -> str | None:
    found = [pytest.ExceptionInfo.from_exception(error) for error in group.exceptions]
    told = [shortened(item, excinfo) for excinfo in found]
    if all(text is None for text in told):
        return None
    texts = (
        str(item.repr_failure(excinfo) if text is None else text)
        for text, excinfo in zip(told, found, strict=True)
    )
    return "\n\n".join((group.message, *texts))
