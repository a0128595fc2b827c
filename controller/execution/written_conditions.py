"""The conditions of a controller as they stand in its file, for whoever explains them by their names."""

from __future__ import annotations

from collections.abc import Mapping

from ..expressions.expression import Expression
from ..machine_file.machine import Machine


class WrittenConditions:
    """Guards and permits with the names of conditions in them; nothing of a program without a file.

    Attributes:
        conditions: what each named condition says, as it stands in the file.
    """

    def __init__(self, machine: Machine | None) -> None:
        self._machine = machine
        self.conditions: Mapping[str, Expression] = (
            {} if machine is None else {name: item.when.written for name, item in machine.conditions.items()}
        )

    def guard(self, sequence: str, state: str, number: int, *, override: bool) -> Expression | None:
        """The condition of an exit of a state, or of an override; both count from 1."""
        if self._machine is None:
            return None
        model = self._machine.sequences[sequence]
        when = (model.overrides if override else model.states[state].exits)[number - 1].when
        return None if when is None else when.written

    def permit(self, index: int) -> Expression | None:
        """The condition of an interlock; counts from 0."""
        return None if self._machine is None else self._machine.interlocks[index].unless.written
