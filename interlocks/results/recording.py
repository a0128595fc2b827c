"""What a machine did, instant by instant: the one form that charts and overlays are drawn from.

A story of the check and a run of the simulation both become a ``Recording``; so does whatever
else can say, for every period, what each circuit, state, output, memory and part was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.simulation.simulation import Frame

from .instant import SCAN_LEFT_OUT, Instant
from .verdict import Story


@dataclass(frozen=True)
class Recording:
    """A machine's run. Instant n is at n periods after power-on and lasts a period."""

    machine: Machine
    period: Milliseconds
    instants: tuple[Instant, ...]

    @property
    def duration(self) -> Milliseconds:
        """End of the last instant."""
        return len(self.instants) * self.period


def recording_of_story(machine: Machine, story: Story, tick: Milliseconds) -> Recording:
    """The instants of a story of the check.

    Args:
        tick: period of the exploration that found it, in ms.
    """
    return Recording(machine, tick, tuple(story.instants))


def recording_of_frames(machine: Machine, frames: Iterable[Frame]) -> Recording:
    """The instants of a simulated run, a scan each."""
    return Recording(
        machine,
        machine.scan,
        tuple(
            Instant(
                circuits=frame.circuits,
                states=frame.states,
                outputs=frame.outputs,
                memory=frame.memory,
                parts=frame.parts,
                faults=_wrong(frame),
                forced=frame.forced,
                powered=not _dark(frame),
                terminals=frame.wired,
                scanned=frame.scanned,
            )
            for frame in frames
        ),
    )


def _wrong(frame: Frame) -> tuple[str, ...]:
    """What disturbs a scan; a scan that is left out counts."""
    overrun = (SCAN_LEFT_OUT,) if not frame.scanned and not _dark(frame) else ()
    return (*frame.disturbances, *overrun)


def _dark(frame: Frame) -> bool:
    return any(state is None for state in frame.states.values())


def time_in_states(recording: Recording) -> dict[str, dict[str, Ticks]]:
    """How many periods each sequence spent in each of its states."""
    spent: dict[str, dict[str, Ticks]] = {
        name: dict.fromkeys(sequence.states, 0) for name, sequence in recording.machine.sequences.items()
    }
    for instant in recording.instants:
        for name, state in instant.states.items():
            if state is not None:
                spent[name][state] += 1
    return spent
