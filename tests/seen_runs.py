"""Runs of machines under one fault, as a log would tell them: what was seen and asked for, scan by scan."""

from __future__ import annotations

from hypothesis import strategies as st

from machines_strategy import Draw
from plants_strategy import closed_machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.diagnosis.hypotheses import FieldFault, Hypothesis, hypotheses_of
from stillgate.sim_io.faults.disturbances import Disturbance, DisturbanceKind
from stillgate.sim_io.simulation.operators import OperatorKind
from stillgate.sim_io.simulation.simulation import Simulation

Seen = tuple[dict[str, int | None], dict[str, int], bool]
"""What a log says of one scan: inputs, outputs asked for, power."""

_KINDS = {
    FieldFault.INPUT_ON: DisturbanceKind.STUCK_ON,
    FieldFault.INPUT_OFF: DisturbanceKind.STUCK_OFF,
    FieldFault.OUTPUT_ON: DisturbanceKind.STUCK_ON,
    FieldFault.OUTPUT_OFF: DisturbanceKind.STUCK_OFF,
    FieldFault.INPUT_LOOSE: DisturbanceKind.INTERMITTENT,
}
BENCH = """\
machine: bench
scan: 10 ms
inputs:
  go: {from: operator}
  turn: {from: operator}
  home: {}
  away: {}
  still: {}
  caught: {contact: normally_closed}
outputs: {oil: {}, forward: {}, back: {}, motor: {}}
parts:
  slide: {kind: travel, stops: [home, away], forward: forward and oil, back: back and oil, takes: 20..30 ms,
          senses: {home: at home, away: at away}}
  shaft: {kind: spin, drive: motor and oil, runs_down: 10..20 ms, senses: {still: still}}
  catch:
    kind: automaton
    states:
      free: {exits: [{to: caught, when: slide.at_away, freely: true}]}
      caught: {exits: [{to: free, when: slide.at_home, takes: 10 ms}]}
    senses: {caught: not at caught}
sequences:
  slide_to:
    start: back
    states:
      back: {on: [oil, back], exits: [{when: go, to: forward}]}
      forward: {on: [oil, forward], exits: [{when: not go, to: back}]}
  shaft_to:
    start: off
    states:
      off: {exits: [{when: turn, to: running}]}
      running: {on: [motor], exits: [{when: not turn, to: off}]}
requirements:
  can_turn: {reach: shaft_to.running}
"""
"""Two parts that share the oil, one that reads another, and a controller that does what it is told."""


def disturbance_for(hypothesis: Hypothesis) -> Disturbance | None:
    """What a simulation does under a hypothesis about a signal."""
    if hypothesis.trouble not in _KINDS:
        return None
    return Disturbance(_KINDS[hypothesis.trouble], (hypothesis.subject,), 100, longest=40)


def machines() -> st.SearchStrategy[Machine]:
    """The bench, or a machine made by chance whose parts are seen at all."""
    bench = st.just(read_machine_text(BENCH).machine)
    return bench | closed_machines(patterns=("never",), parts=2).filter(
        lambda machine: any(part.senses for part in machine.parts.values())
    )


@st.composite
def recorded(draw: Draw, machine: Machine) -> tuple[Hypothesis, list[Seen]]:
    """A run under some hypothesis, seen by the controller, now and then with a level that cannot be."""
    true = draw(
        st.sampled_from([item for item in hypotheses_of(machine) if item.trouble is not FieldFault.POWER])
    )
    scans = draw(st.integers(2, 30))
    begins = draw(st.integers(0, scans - 1))
    kind = draw(st.sampled_from((OperatorKind.CLUMSY, OperatorKind.HOSTILE)))
    simulation = Simulation(machine, seed=draw(st.integers(0, 999)), operator=kind)
    found: list[Seen] = []
    for scan in range(scans):
        disturbance = disturbance_for(true)
        if scan == begins and disturbance is not None:
            simulation.inject(disturbance)
        frame = simulation.step()
        wired = frame.wired or {}
        outputs = {name: int(on) for name, on in simulation.executive.outputs.items()}
        found.append(({name: int(level) for name, level in wired.items()}, outputs, True))
    if machine.inputs and draw(st.integers(0, 2)) == 0:
        name = draw(st.sampled_from(list(machine.inputs)))
        first = draw(st.integers(0, scans - 1))
        level = draw(st.sampled_from((0, 1, None)))
        for scan in range(first, min(scans, first + draw(st.integers(1, 20)))):
            inputs, outputs, power = found[scan]
            found[scan] = ({**inputs, name: level}, outputs, power)
    if draw(st.integers(0, 3)) == 0:  # power is away for a while, which leaves the parts alone
        first = draw(st.integers(0, scans - 1))
        for scan in range(first, min(scans, first + 5)):
            inputs, outputs, _ = found[scan]
            found[scan] = (dict.fromkeys(inputs), dict.fromkeys(outputs, 0), False)
    if draw(st.booleans()):  # a long rest, in which scans are skipped
        found += [found[-1]] * draw(st.integers(5, 30))
    return true, found
