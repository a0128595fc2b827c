"""The self-check refuses a Program that breaks any of its invariants, and passes what we lower."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from machines_strategy import LARGE, apart, machine_dicts
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram, Stage
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Note,
    NoteKind,
    Observation,
    Operation,
    Read,
    Ref,
    Scope,
    Switch,
)
from stillgate.controller.program.program_check import InconsistentProgram, assert_consistent
from stillgate.controller.program.program_map import map_block

PRESS = lower_controller(
    Machine.model_validate(
        {
            "machine": "press",
            "scan": "10 ms",
            "inputs": {
                "door": {"from": "operator", "debounce": "40 ms"},
                "key": {"from": "operator"},
                "lamp": {"from": "operator"},
            },
            "outputs": {"ram": {}},
            "memory": {"strokes": {"range": "0..5", "start": 0}},
            "sequences": {
                "main": {
                    "start": "up",
                    "states": {
                        "up": {"exits": [{"to": "down", "when": "rising(key) and held(door, 50 ms)"}]},
                        "down": {
                            "on": ["ram"],
                            "exits": [{"to": "up", "after": "200 ms", "do": {"strokes": "strokes + 1"}}],
                        },
                    },
                }
            },
            "interlocks": [{"hold_off": "ram", "unless": "door"}],
        }
    )
)
STATE = PRESS.sequences[0].active
STROKES = next(iter(PRESS.memory))
DEMAND = PRESS.outputs[0].demand
NUMBER = Cell("number", 0, 3, 0, Scope.CONTROLLER, persistent=False)


def beginning(*block: object) -> ControllerProgram:
    """The press with statements before everything that it decides."""
    first = PRESS.stages[0]
    return replace(PRESS, stages=(Stage(first.name, (*block, *first.block)), *PRESS.stages[1:]))  # type: ignore[arg-type]


def with_exit(**changes: object) -> ControllerProgram:
    """The press whose exit from 'up' is another one."""
    main = PRESS.sequences[0]
    way = replace(main.exits[0][0], **changes)  # type: ignore[arg-type]
    return replace(PRESS, sequences=(replace(main, exits=((way,), *main.exits[1:])),))


def without_notes(block: Block) -> Block:
    """The press's statements but those that say which exit was taken."""
    return map_block(block, statement=lambda item: () if isinstance(item, Note) else (item,))


BROKEN: dict[str, Callable[[], ControllerProgram]] = {
    "two cells are named": lambda: beginning(Assign(replace(NUMBER, name=STROKES.name), FALSE)),
    "starts outside its range": lambda: beginning(Assign(replace(NUMBER, start=4), FALSE)),
    "not of truths": lambda: beginning(
        Assign(NUMBER, FALSE), Assign(NUMBER, Operation(Operator.AND, Ref(NUMBER), TRUE))
    ),
    "no truth": lambda: beginning(Assign(NUMBER, FALSE), If(Complement(Ref(NUMBER)), ())),
    "an index outside its table": lambda: beginning(Assign(NUMBER, Lookup((1, 2), Ref(STATE)))),
    "is given 4..4": lambda: beginning(Assign(NUMBER, Constant(4))),
    "has no value": lambda: beginning(Choose(NUMBER, 5)),
    "has one value twice": lambda: beginning(Switch(STATE, ((0, ()), (0, ())))),
    "is read before it is written": lambda: beginning(Assign(DEMAND, Ref(NUMBER))),
    "number is read before": lambda: beginning(
        If(Ref(PRESS.outputs[0].asked), (Assign(NUMBER, FALSE),)), Assign(DEMAND, Ref(NUMBER))
    ),
    "is written before all exits are decided": lambda: beginning(Assign(STROKES, FALSE)),
    "persists and is not stored": lambda: replace(
        PRESS,
        stages=(
            *PRESS.stages[:-1],
            Stage("last", (*PRESS.stages[-1].block, Assign(replace(NUMBER, persistent=True), FALSE))),
        ),
    ),
    "is read and is no input": lambda: beginning(If(Read("window", Observation.LEVEL), ())),
    "has an edge and no level before": lambda: beginning(If(Read("lamp", Observation.ROSE), ())),
    "marks of exits are not dense": lambda: with_exit(mark=1),
    "means nothing": lambda: beginning(Note(NoteKind.COVERED, 2)),
    "an exit is not noted once": lambda: replace(
        PRESS, stages=tuple(replace(item, block=without_notes(item.block)) for item in PRESS.stages)
    ),
    "leads nowhere": lambda: with_exit(target=2),
    "an action of main writes": lambda: with_exit(actions=((STATE, TRUE),)),
    "waits and counts no time": lambda: replace(
        PRESS, sequences=(replace(PRESS.sequences[0], elapsed=None),), clocks=()
    ),
    "counts ticks and is no clock": lambda: replace(PRESS, clocks=PRESS.clocks[1:]),
    "a clock is listed twice": lambda: replace(PRESS, clocks=(*PRESS.clocks, PRESS.clocks[0])),
    "is not stored": lambda: replace(PRESS, clocks=(*PRESS.clocks, replace(PRESS.clocks[0], cell=NUMBER))),
    "is demanded by no state": lambda: replace(
        PRESS, outputs=(replace(PRESS.outputs[0], demanded_by=(("main", "open"),)),)
    ),
    "touches what is not its own": lambda: replace(
        PRESS, signals=(replace(PRESS.signals[0], sense=PRESS.signals[1].sense), PRESS.signals[1])
    ),
}


@pytest.fixture
def unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Programs can be made here without being looked at."""
    made = ControllerProgram.__init__
    monkeypatch.setattr(ControllerProgram, "__init__", getattr(made, "__wrapped__", made))


@pytest.mark.usefixtures("unasked")
@pytest.mark.parametrize("said", BROKEN)
def test_a_program_that_breaks_an_invariant_is_refused(said: str) -> None:
    with pytest.raises(InconsistentProgram, match=said):
        assert_consistent(BROKEN[said]())


def test_every_program_that_is_made_in_a_test_is_looked_at() -> None:
    with pytest.raises(InconsistentProgram, match="marks of exits"):
        with_exit(mark=1)


def test_what_is_lowered_is_consistent_at_every_period() -> None:
    assert_consistent(PRESS)
    for data in apart(machine_dicts(LARGE), 40):
        machine = Machine.model_validate(data)
        for ticks in (1, 3, 10):
            assert_consistent(lower_controller(machine, period=ticks * machine.scan, overlaps=ticks == 1))
