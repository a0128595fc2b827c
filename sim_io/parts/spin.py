"""A spin: runs up while driven, runs down afterwards.

::

    still ──driven──► running up ──a..b──► at speed ──not driven──► running down ──a..b──► still
                          ◄──driven again, from an unknown speed: 0..b──┘

A run-down that begins before full speed, and a run-up that begins before standstill, may
take anything up to the full time: the speed at that moment is not tracked.
"""

from __future__ import annotations

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.machine import Spin
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    Complement,
    Constant,
    If,
    Operation,
    Ref,
    Scope,
    Switch,
    disjunction,
)

from .base import PartProgram, PlantNames, Range, Timer, choice_of, truth_cell, widened

STILL, RUNNING_UP, AT_SPEED, RUNNING_DOWN = range(4)
_WORDS = ("still", "running up", "at speed", "running down")


def lower_spin(name: str, part: Spin, names: PlantNames) -> PartProgram:
    """The program of a spin."""
    up = widened(part.runs_up, names.period) if part.runs_up[1] else (0, 0)
    down = widened(part.runs_down, names.period)
    speed = Cell(f"{name}.speed", 0, 3, STILL, Scope.PART)
    timer = Timer.of(name, (max(up[0], down[0]), max(up[1], down[1])))
    driven = truth_cell(f"{name}.is_driven")

    def phase(number: int, span: Range = (0, 0)) -> Block:
        return (Assign(speed, Constant(number)), *timer.set(span))

    def is_in(number: int) -> Operation:
        return Operation(Operator.EQ, Ref(speed), Constant(number))

    def run_up(span: Range) -> Block:
        if not span[1]:
            return phase(AT_SPEED)
        return (*phase(RUNNING_UP, span), *timer.run(phase(AT_SPEED)))

    def run_down(span: Range) -> Block:
        return (*phase(RUNNING_DOWN, span), *timer.run(phase(STILL)))

    when_driven = Switch(
        speed,
        (
            (STILL, run_up(up)),
            (RUNNING_UP, timer.run(phase(AT_SPEED))),
            (RUNNING_DOWN, run_up((0, up[1]))),
        ),
    )
    when_not = Switch(
        speed,
        (
            (RUNNING_UP, run_down((0, down[1]))),
            (AT_SPEED, run_down(down)),
            (RUNNING_DOWN, timer.run(phase(STILL))),
        ),
    )
    starts = {"still": [phase(STILL)], "at_speed": [phase(AT_SPEED)]}.get(part.starts)
    if starts is None:
        starts = [phase(STILL), phase(AT_SPEED), phase(RUNNING_DOWN, (0, down[1]))]
        if up[1]:
            starts.append(phase(RUNNING_UP, (0, up[1])))
    turning = Complement(is_in(STILL))
    return PartProgram(
        name=name,
        kind=part.kind,
        cells=(speed, timer.soonest, timer.latest),
        clocks=timer.clocks,
        events=timer.events,
        begin=choice_of(Cell(f"{name}.begins", 0, 3, 0, Scope.PART, persistent=False), starts),
        conditions=(Assign(driven, names.condition(name, part.drive.tree)),),
        moves=(If(Ref(driven), (when_driven,), (when_not,)),),
        sensed={"turning": turning, "still": is_in(STILL), "at_speed": is_in(AT_SPEED)},
        judged={
            "turning": disjunction((Ref(driven), turning)),
            "still": Complement(disjunction((Ref(driven), turning))),
            "at_speed": is_in(AT_SPEED),
        },
        describe=lambda values: _WORDS[values[speed]],
    )
