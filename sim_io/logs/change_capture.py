"""What each scan of a running controller changed, told in the terms of a log.

Looks at an executive after every scan and never into its surroundings: the inputs are those
the scan sampled, the outputs those it asks for. Without power nothing is sampled and nothing
remembered, so inputs and memory are then unknown, sequences are in no state and outputs off.
"""

from __future__ import annotations

from stillgate.controller.execution.executive import Executive

from .log import NO_STATE, POWER, Change, Signal, Subject, Value


class ChangeCapture:
    """Listens to one executive.

    Args:
        executive: the controller; it is only read, apart from a callback for cold starts.
    """

    def __init__(self, executive: Executive) -> None:
        self._executive = executive
        self._known: dict[Signal, Value] = {}
        self._cold = False
        for sequence in executive.program.sequences[:1]:
            executive.on_entry(sequence.name, sequence.states[sequence.start], self._on_entry)

    def _on_entry(self, executive: Executive) -> None:
        # A start state entered without an exit being taken: power has come back.
        if not executive.taken:
            self._cold = True

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Everything that is told."""
        program = self._executive.program
        return (
            (Subject.POWER, POWER),
            *((Subject.INPUT, item.name) for item in program.signals),
            *((Subject.STATE, item.name) for item in program.sequences),
            *((Subject.MEMORY, name) for name in program.memory.values()),
            *((Subject.OUTPUT, item.name) for item in program.outputs),
        )

    def look(self) -> tuple[Change, ...]:
        """What is different from the last look; at the first look everything.

        To be called after every scan. A loss of power that ended between two looks is told as
        one: everything off, then the state after the cold start.
        """
        told: list[Change] = []
        if self._cold and self._known.get((Subject.POWER, POWER)) == 1:
            told += self._differences(self._dark())
        self._cold = False
        now = self.everything()
        told += self._differences(now)
        for name in self._executive.left_bounds:
            told.append(Change(self._executive.time_ms, Subject.EVENT, "left_bounds", name))
        return tuple(told)

    def everything(self) -> dict[Signal, Value]:
        """The value of everything after the last scan."""
        executive = self._executive
        if not executive.powered:
            return self._dark()
        program, value = executive.program, executive.value
        found: dict[Signal, Value] = {(Subject.POWER, POWER): 1}
        for item in program.signals:
            found[Subject.INPUT, item.name] = int(value(item.pin) ^ item.active_low)
        for name, state in executive.states.items():
            found[Subject.STATE, name] = NO_STATE if state is None else state
        for name, count in executive.memory.items():
            found[Subject.MEMORY, name] = int(count)
        for name, on in executive.outputs.items():
            found[Subject.OUTPUT, name] = int(on)
        return found

    def _dark(self) -> dict[Signal, Value]:
        words: dict[Subject, Value] = {
            Subject.POWER: 0,
            Subject.INPUT: None,
            Subject.STATE: NO_STATE,
            Subject.MEMORY: None,
            Subject.OUTPUT: 0,
        }
        return {signal: words[signal[0]] for signal in self.signals}

    def _differences(self, now: dict[Signal, Value]) -> list[Change]:
        time = self._executive.time_ms
        changed = [
            Change(time, subject, name, value)
            for (subject, name), value in now.items()
            if (subject, name) not in self._known or self._known[subject, name] != value
        ]
        self._known = now
        return changed
