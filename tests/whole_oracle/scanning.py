"""Steps 3 to 5 of a tick: debounce, the memories of rising, falling and held, the scan."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

from stillgate.controller.expressions.expression import EdgeOf, Expression, HeldFor
from stillgate.controller.machine_file.machine import Exit, Machine, Memory, Override

from .rounding import up
from .terms import Frame, Key, Side, observations, text_of, value


class Controlled(NamedTuple):
    """What a controller with power remembers from one scan to the next, in the order of the file.

    Attributes:
        active: the active state of each sequence.
        ages: scans since its entry; the scan that enters counts 0. Before scan 0 it is -1.
        memory: values of memory.
        written: what the last scan wrote to each output.
        accepted: accepted level of each input.
        differing: samples in a row that differed from it.
        true_for: for each argument of rising, falling and held, scans in a row that it was true.
    """

    active: tuple[str, ...]
    ages: tuple[int, ...]
    memory: tuple[int, ...]
    written: tuple[int, ...]
    accepted: tuple[int, ...]
    differing: tuple[int, ...]
    true_for: tuple[int, ...]


class Scanned(NamedTuple):
    """One scan: what is remembered, memory that was asked to leave its range, exits that were taken."""

    after: Controlled
    left_range: tuple[str, ...]
    taken: tuple[tuple[str, str, int], ...]


def range_of(memory: Memory) -> tuple[int, int]:
    """Lowest and highest value."""
    low, high = (memory.range or "0..1").split("..")
    return int(low), int(high)


def start_of(memory: Memory) -> int:
    """Value at power-on."""
    if "start" in memory.model_fields_set:
        return int(memory.start)
    low, high = range_of(memory)
    return 0 if low <= 0 <= high else low


class Controller:
    """The controller of a machine at a period of ``tick`` milliseconds."""

    def __init__(self, machine: Machine, tick: int) -> None:
        self.machine = machine
        self._tick = tick
        found = list(observations(self._trees()))
        self._arguments: dict[str, Expression] = {text_of(node.argument): node.argument for node in found}
        self._observed = {text_of(node): node for node in found}
        self._most = dict.fromkeys(self._arguments, 1)
        for node in found:
            if isinstance(node, HeldFor):
                argument = text_of(node.argument)
                self._most[argument] = max(self._most[argument], up(node.milliseconds, tick) + 1)
        self.scan = cache(self._scan)

    def _trees(self) -> Iterator[Expression]:
        for sequence in self.machine.sequences.values():
            exits: list[Exit | Override] = [*sequence.overrides]
            exits += [item for state in sequence.states.values() for item in state.exits]
            for item in exits:
                if item.when is not None:
                    yield item.when.tree
                yield from (written.tree for written in item.do.values())
        yield from (lock.unless.tree for lock in self.machine.interlocks)

    def cold(self) -> Controlled:
        """As power comes on, before scan 0."""
        machine = self.machine
        return Controlled(
            tuple(item.start for item in machine.sequences.values()),
            (-1,) * len(machine.sequences),
            tuple(start_of(item) for item in machine.memory.values()),
            (0,) * len(machine.outputs),
            (0,) * len(machine.inputs),
            (0,) * len(machine.inputs),
            (0,) * len(self._arguments),
        )

    def _scan(self, before: Controlled, circuits: tuple[int, ...]) -> Scanned:
        """One scan on circuits that conduct (1) or not (0), in the order of the inputs.

        ``active: low`` is undone at the pin, so it changes nothing here.
        """
        machine = self.machine
        levels = [
            self._debounced(number, item.debounce, before, circuits[number])
            for number, item in enumerate(machine.inputs.values())
        ]
        accepted = tuple(level for level, _ in levels)
        start: dict[Key, int] = {
            **dict(zip(machine.inputs, accepted, strict=True)),
            **dict(zip(machine.outputs, before.written, strict=True)),
            **dict(zip(machine.memory, before.memory, strict=True)),
            **self._states(before.active),
        }
        true_for = tuple(
            min(was + 1, self._most[text]) if value(argument, start) else 0
            for (text, argument), was in zip(self._arguments.items(), before.true_for, strict=True)
        )
        observed = self._observations(before.true_for, true_for)
        start |= observed

        active, ages, memory = (
            list(before.active),
            list(before.ages),
            dict(zip(machine.memory, before.memory, strict=True)),
        )
        left_range: list[str] = []
        taken: list[tuple[str, str, int]] = []
        for number, (name, sequence) in enumerate(machine.sequences.items()):
            state = sequence.states[before.active[number]]
            last_read = max((up(item.after, self._tick) for item in state.exits if item.after), default=0)
            age = ages[number] = min(before.ages[number] + 1, last_read)
            way = self._way_out(name, before.active[number], age, start)
            if way is None:
                continue
            item, place = way
            taken.append((name, *place))
            active[number], ages[number] = item.to, 0
            wanted = {name: value(written.tree, start) for name, written in item.do.items()}
            wanted |= dict.fromkeys(item.set, 1) | dict.fromkeys(item.clear, 0)
            for written, wish in wanted.items():
                low, high = range_of(machine.memory[written])
                if low <= wish <= high:
                    memory[written] = wish
                else:
                    left_range.append(written)

        demands = {
            output: int(
                any(
                    output in sequence.states[state].on
                    for sequence, state in zip(machine.sequences.values(), active, strict=True)
                )
            )
            for output in machine.outputs
        }
        after: Frame = {
            **dict(zip(machine.inputs, accepted, strict=True)),
            **demands,
            **memory,
            **self._states(tuple(active)),
            **observed,
        }
        written_now = tuple(
            int(
                bool(demands[output])
                and all(
                    value(lock.unless.tree, after) for lock in machine.interlocks if lock.hold_off == output
                )
            )
            for output in machine.outputs
        )
        return Scanned(
            Controlled(
                tuple(active),
                tuple(ages),
                tuple(memory[name] for name in machine.memory),
                written_now,
                accepted,
                tuple(count for _, count in levels),
                true_for,
            ),
            tuple(left_range),
            tuple(taken),
        )

    def _debounced(self, number: int, debounce: int, before: Controlled, sample: int) -> tuple[int, int]:
        """The accepted level, and samples in a row that differed from it."""
        if sample == before.accepted[number]:
            return sample, 0
        samples = before.differing[number] + 1
        if samples - 1 >= up(debounce, self._tick):
            return sample, 0
        return before.accepted[number], samples

    def _states(self, active: tuple[str, ...]) -> dict[Key, int]:
        return {
            f"{name}.{state}": int(state == now)
            for (name, sequence), now in zip(self.machine.sequences.items(), active, strict=True)
            for state in sequence.states
        }

    def _observations(self, before: tuple[int, ...], now: tuple[int, ...]) -> dict[Key, int]:
        number = {text: index for index, text in enumerate(self._arguments)}
        found: dict[Key, int] = {}
        for text, node in self._observed.items():
            place = number[text_of(node.argument)]
            match node:
                case EdgeOf(edge=edge):
                    rises = now[place] and not before[place]
                    falls = before[place] and not now[place]
                    found[text] = int(bool(rises if edge.value == "rising" else falls))
                case HeldFor(milliseconds=time):
                    held = int(now[place] >= up(time, self._tick) + 1)
                    found |= {(text, Side.BREAKS): held, (text, Side.SATISFIES): held}
        return found

    def _way_out(
        self, name: str, active: str, age: int, start: Frame
    ) -> tuple[Exit | Override, tuple[str, int]] | None:
        """The exit that is taken, and where it stands: its state ('' of overrides) and its number."""
        sequence = self.machine.sequences[name]
        for number, override in enumerate(sequence.overrides, 1):
            if value(override.when.tree, start):
                return None if override.to == active else (override, ("", number))
        for number, item in enumerate(sequence.states[active].exits, 1):
            elapsed = item.after is None or age >= up(item.after, self._tick)
            if elapsed and (item.when is None or value(item.when.tree, start)):
                return item, (active, number)
        return None
