"""The ``TestCase`` of a class of rules, with settings that fit steps of some seconds of the machine."""

from __future__ import annotations

from typing import Any

from hypothesis import Phase, settings
from hypothesis.stateful import RuleBasedStateMachine

STEPS, EXAMPLES = 15, 40
"""Rules in a run, each up to some seconds of the machine, and runs of a test, if nobody says else."""

HYPOTHESIS_EXAMPLES = 100
"""Runs of a test by Hypothesis' own default."""


class TestCases:
    """A property that gives each class of rules a ``TestCase`` of its own.

    Hypothesis' phase 'explain' traces every line and makes a run many times slower.
    """

    __test__ = False  # pytest is not to collect it

    def __get__(self, instance: object, owner: type[RuleBasedStateMachine]) -> Any:
        case = RuleBasedStateMachine.__dict__["TestCase"].__get__(instance, owner)
        if "settings" in vars(case) and case.settings.stateful_step_count != STEPS:
            phases = [item for item in Phase if item is not Phase.explain]
            said = case.settings.max_examples
            count = EXAMPLES if said == HYPOTHESIS_EXAMPLES else said
            case.settings = settings(
                case.settings, max_examples=count, stateful_step_count=STEPS, phases=phases
            )
        return case
