"""Faults in the closed loop: when each may begin, and what it does to what it sticks to.

A stuck fault begins at the first tick in which it changes something: begun earlier it is the same run, so
no break is lost and many states are saved. What is lost is how long it has been there, so where times count
from a fault's beginning it may begin *unseen*, at any tick, as the fault of a free input always may. And an
output that is stuck on at power-on may have been so for long, which a part may tell though the output is
asked for now. Faults of inputs and of power begin before the controller scans, those of outputs once it is
known what is asked.
"""

from __future__ import annotations

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Operation,
    Ref,
    Scope,
    Statement,
    Term,
    conjunction,
    disjunction,
)
from stillgate.sim_io.faults.fault_list import FaultKind, faults_of


class FaultSteps:
    """Statements of a machine's faults.

    Args:
        budget: how many faults may happen, 0 to 2.
        unseen: a fault may also begin in a tick in which it changes nothing.

    Attributes:
        faults: those that may begin.
        fault: the cell of the fault that has begun, 0 before.
        second: of two faults that of the greater number; 0 until the second has begun.
        dark: whether the power is off.
    """

    def __init__(
        self, machine: Machine, budget: int, controller: ControllerProgram, *, unseen: bool = False
    ) -> None:
        self.budget = budget
        self.unseen = unseen
        self.controller = controller
        self.faults = faults_of(machine) if budget else ()
        self.numbers = {(item.kind, item.subject): item.number for item in self.faults}
        self.fault = Cell("fault", 0, len(self.faults), 0, Scope.FAULT)
        self.second = Cell("second", 0, len(self.faults), 0, Scope.FAULT)
        self.dark = Cell("dark", 0, 1, 0, Scope.FAULT)

    def number(self, kind: FaultKind, subject: str) -> int:
        """The number of a fault, 0 if it is excluded."""
        return self.numbers.get((kind, subject), 0)

    def inputs_begin(self, circuits: dict[str, Cell]) -> Block:
        """Faults of inputs and of power.

        Args:
            circuits: of the inputs that a part moves; all others are free.
        """
        if not self.budget:
            return ()
        options: list[tuple[Term, int]] = []
        for fault in self.faults:
            cell = circuits.get(fault.subject)
            if fault.kind is FaultKind.INPUT_ON:
                options.append((self._changes(None if cell is None else Complement(Ref(cell))), fault.number))
            elif fault.kind is FaultKind.INPUT_OFF:
                options.append((self._changes(None if cell is None else Ref(cell)), fault.number))
            elif fault.kind is FaultKind.POWER:
                options.append((TRUE, fault.number))
        power = self.number(FaultKind.POWER, "")
        start = self._begin(options, power)
        if power:
            returns = Cell("returns", 0, 1, 0, Scope.FAULT, persistent=False)
            come_back = (
                Choose(returns, 2),
                If(Ref(returns), (Assign(self.dark, FALSE), *self._cold_start())),
            )
            start = (If(Ref(self.dark), come_back, start),)
        return start

    def outputs_begin(self, power_on: Term) -> Block:
        """Faults of outputs.

        Args:
            power_on: whether parts still ask what was before the first scan.
        """
        asked = {output.name: Ref(output.asked) for output in self.controller.outputs}
        options: list[tuple[Term, int]] = []
        for fault in self.faults:
            if fault.kind is FaultKind.OUTPUT_ON:
                off = self._changes(Complement(asked[fault.subject]))
                tells = off if power_on == FALSE else disjunction((off, power_on))
                options.append((tells, fault.number))
            elif fault.kind is FaultKind.OUTPUT_OFF:
                options.append((self._changes(asked[fault.subject]), fault.number))
        if not options:
            return ()
        return self._begin(options)

    def _changes(self, something: Term | None) -> Term:
        """When a fault may begin: where it changes something, if that is known and asked for."""
        return TRUE if self.unseen or something is None else something

    def _begin(self, options: list[tuple[Term, int]], power: int = 0) -> Block:
        """A fault may begin if there is still one to come; power goes in the tick in which its own does."""
        first: list[Statement] = [Begin(self.fault, tuple(options))]
        if power:
            first.append(self._lose_power(self.fault, power))
        block: list[Statement] = [If(_holds(self.fault, 0), tuple(first))]
        if self.budget > 1:
            others = [
                (conjunction((Complement(_holds(self.fault, number)), condition)), number)
                for condition, number in options
            ]
            second: list[Statement] = [Begin(self.second, tuple(others))]
            if power:
                second.append(self._lose_power(self.second, power))
            ready = conjunction((Complement(_holds(self.fault, 0)), _holds(self.second, 0)))
            block += [If(ready, tuple(second)), self._in_order()]
        return tuple(block)

    def _in_order(self) -> Statement:
        """Which of two faults came first makes no difference to what follows: the lesser number leads."""
        kept = Cell("lesser", 0, len(self.faults), 0, Scope.FAULT, persistent=False)
        swapped = conjunction(
            (Complement(_holds(self.second, 0)), Operation(Operator.LT, Ref(self.second), Ref(self.fault)))
        )
        return If(
            swapped,
            (
                Assign(kept, Ref(self.second)),
                Assign(self.second, Ref(self.fault)),
                Assign(self.fault, Ref(kept)),
            ),
        )

    def _is_fault(self, number: int) -> Term:
        first = _holds(self.fault, number)
        return first if self.budget < 2 else Operation(Operator.OR, first, _holds(self.second, number))

    def _lose_power(self, cell: Cell, number: int) -> Statement:
        off: list[Statement] = [Assign(cell, Constant(cell.start)) for cell in self.controller.cells]
        off += [Assign(item.active, Constant(len(item.states))) for item in self.controller.sequences]
        return If(_holds(cell, number), (Assign(self.dark, TRUE), *off))

    def _cold_start(self) -> Block:
        return tuple(Assign(cell, Constant(cell.start)) for cell in self.controller.cells)

    def stuck(self, healthy: Term, on: int, off: int) -> Term:
        """The healthy value unless a stuck fault replaces it."""
        term = healthy
        if on:
            term = Operation(Operator.OR, self._is_fault(on), term)
        if off:
            term = conjunction((Complement(self._is_fault(off)), term))
        return term


def _holds(cell: Cell, number: int) -> Term:
    return Operation(Operator.EQ, Ref(cell), Constant(number))
