"""One sequence as a ``transitions`` machine: which way out a scan takes, and nothing else.

``transitions`` looks at the ways out of the active state in the order they were added, takes
the first whose conditions are true, and moves a model object. Here that order is the file's:
overrides, then the state's exits. It finds callbacks and triggers by name at run time, so it
is kept behind this class: callers see states and exits, never names of methods.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from transitions import Machine as TransitionsMachine

from ..machine_file.field_types import Ticks
from ..program.controller_program import ExitProgram, SequenceProgram
from ..program.evaluate import BlockCompiler, TermCode, Values
from ..program.program import TRUE, ticks_up
from .clauses import ClauseBuilder, Moment
from .reasons import ExitReason
from .terminals import unknown

OFF = "(off)"
"""The model's state while power is off; no state of a file can be called so."""


class _Model:
    """What ``transitions`` moves; it adds the triggers and ``state`` itself."""

    state: str
    scan: Callable[[Values], bool]
    power_on: Callable[[], bool]
    power_off: Callable[[], bool]


class SequenceStepper:
    """The active state of one sequence."""

    def __init__(self, program: SequenceProgram, compiler: BlockCompiler) -> None:
        self.program = program
        waits = [item.after or 0 for items in program.exits for item in items]
        self.longest_wait: Ticks = ticks_up(max(waits, default=0), compiler.period)
        self._period = compiler.period
        self._elapsed = -1 if program.elapsed is None else compiler.layout.slot(program.elapsed)
        self._taken: ExitProgram | None = None
        self._model = _Model()
        self._machine = TransitionsMachine(
            model=self._model, states=[OFF, *program.states], initial=OFF,
            auto_transitions=False, ignore_invalid_triggers=True,
        )  # fmt: skip
        self._machine.add_transition("power_on", OFF, program.states[program.start])
        self._machine.add_transition("power_off", "*", OFF)
        for state in program.states:
            for item in program.overrides:
                self._add(state, item, compiler, is_override=True)
            for item in program.exits[program.states.index(state)]:
                self._add(state, item, compiler, is_override=False)
            self._machine.add_transition("scan", state, None)  # otherwise it stays

    def _add(self, state: str, item: ExitProgram, compiler: BlockCompiler, *, is_override: bool) -> None:
        target = self.program.states[item.target]
        blocks = is_override and target == state
        self._machine.add_transition(
            "scan",
            state,
            None if blocks else target,  # None: a transition that moves nothing
            conditions=[partial(_is_open, exit_code(self.program, item, compiler))],
            after=[] if blocks else [partial(self._take, item)],
        )

    def _take(self, item: ExitProgram, values: Values) -> None:
        self._taken = item

    @property
    def state(self) -> str | None:
        """Name of the active state; None while power is off."""
        return None if self._model.state == OFF else self._model.state

    @property
    def number(self) -> int:
        """Number of the active state; the number of states while power is off."""
        states = self.program.states
        return len(states) if self.state is None else states.index(self.state)

    def number_of(self, state: str) -> int:
        """Number of a state.

        Raises:
            UsageError: if the sequence has no such state.
        """
        states = self.program.states
        if state not in states:
            raise unknown(f"state of '{self.program.name}'", state, states)
        return states.index(state)

    def scan(self, values: Values) -> ExitProgram | None:
        """Moves along the first way out that is open on the values; returns it."""
        self._taken = None
        self._model.scan(values)
        return self._taken

    def ways_out(self, moment: Moment, clauses: ClauseBuilder) -> Iterator[ExitReason]:
        """The overrides and exits of the active state, judged at a moment, in the order of a scan."""
        program, state = self.program, self.state
        if state is None:
            return
        found = [(item, True, number) for number, item in enumerate(program.overrides, 1)]
        found += [(item, False, number) for number, item in enumerate(program.exits[self.number], 1)]
        behind: str | None = None
        for item, is_override, number in found:
            target = program.states[item.target]
            reason = ExitReason(
                sequence=program.name,
                state=state,
                target=target,
                is_override=is_override,
                number=number,
                condition=None
                if item.guard == TRUE
                else clauses.guard(item.guard, moment, (program.name, state, number, is_override)),
                wait=self._scans_to_wait(item, moment.values) * self._period,
                already_there=is_override and target == state,
                behind=behind,
            )
            if reason.open and behind is None:
                behind = reason.rank
            yield reason

    def _scans_to_wait(self, item: ExitProgram, values: Values) -> Ticks:
        if item.after is None:
            return 0
        return max(0, ticks_up(item.after, self._period) - values[self._elapsed])

    def power_on(self) -> None:
        """A cold start in the start state."""
        self._model.power_off()
        self._model.power_on()

    def power_off(self) -> None:
        """No state is active."""
        self._model.power_off()

    def place(self, number: int) -> None:
        """Puts the sequence into a state, for going back to a snapshot."""
        states = (*self.program.states, OFF)
        self._machine.set_state(states[number])


def exit_code(sequence: SequenceProgram, item: ExitProgram, compiler: BlockCompiler) -> TermCode:
    """Closure for 'the guard is true and the time has elapsed'."""
    guard = compiler.term(item.guard)
    if item.after is None:
        return guard
    assert sequence.elapsed is not None, "a timed exit without a timer"
    elapsed, needed = compiler.layout.slot(sequence.elapsed), ticks_up(item.after, compiler.period)
    return lambda values: int(values[elapsed] >= needed and guard(values) != 0)


def _is_open(code: TermCode, values: Values) -> bool:
    return code(values) != 0
