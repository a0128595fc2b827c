"""Does a broken switch change any output at all, and can it switch something hazardous on?

Beside the controller with the fault its twin looks on, at the healthy circuits (``self_composition``).
While their outputs are the same the parts move alike, so a run without a difference is a run in which
the fault changes nothing: if no reachable run has one, the fault is harmless, and this is exact. A run
is followed to its first difference and no further, since from then on the twin sees a machine that it
does not drive; there everything is dropped, so the search stays small.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace

from stillgate.controller.effort import Effort, in_parallel
from stillgate.controller.expressions.expression import Binary, Expression, Name, Operator, Span, canonical
from stillgate.controller.machine_file.field_types import Condition, Milliseconds
from stillgate.controller.machine_file.machine import Exclusion, Machine, Never
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    TRUE,
    Assign,
    Constant,
    If,
    Observation,
    Operation,
    Read,
    Ref,
    Statement,
    Term,
    disjunction,
    terms_in,
)
from stillgate.controller.program.program_map import map_controller, without_signals
from stillgate.sim_io.faults.fault_list import Fault, FaultKind, faults_of

from ..exploration.explorer import Status
from ..exploration.fault_search import hazardous_outputs
from ..exploration.parametric_checker import ParametricChecker, allowance, with_allowances
from ..fault_effects.asked_by_fault import AskedByFault
from ..fault_effects.fault_facts import CUT_SHORT, NO_RUN, FirstDifference
from ..loop.closed_loop import ClosedLoop, close_loop
from ..symbolic.lowering_for_sets import made_for_sets
from ..symbolic.step.emit_step import under
from .self_composition import first_name, is_second, second, side_by_side

_CIRCUITS = {
    Observation.LEVEL: Observation.CIRCUIT,
    Observation.ROSE: Observation.CIRCUIT_ROSE,
    Observation.FELL: Observation.CIRCUIT_FELL,
}
_NOWHERE = Span(0, 0)

DIFFERS, DANGEROUS = "an output differs", "an output with a hazard is on"
"""What is asked of a fault; no memory of a user has such a name."""


def first_differences(
    machine: Machine,
    *,
    tick: Milliseconds,
    effort: Effort,
    on_slow_build: Callable[[], None] | None = None,
) -> dict[str, FirstDifference]:
    """What each fault of an input changes first, by the fault's name.

    Args:
        effort: of all searches together; a search a thread runs at once.

    Raises:
        OutOfTime: if the effort was over before the checker was built.
    """
    loop = with_allowances(_twins(machine, tick))
    if not loop.faults:
        return {}
    differs, dangerous = (loop.requirement_names.index(name) for name in (DIFFERS, DANGEROUS))
    numbers = {item.name: item.number for item in loop.faults}

    each = effort.share(effort.lines)

    def judge(name: str) -> FirstDifference:
        answer = checker.ask((allowance(numbers[name]),), stop_at=(dangerous,), note=(differs,), effort=each)
        if answer.event is not None:
            return FirstDifference(True, True)
        assert answer.outcome is not None
        complete = answer.outcome.status is Status.COMPLETE
        return FirstDifference(
            True if differs in answer.noted else False if complete else None, False if complete else None
        )

    with ParametricChecker(loop, effort=effort, on_slow_build=on_slow_build) as checker:
        return dict(zip(numbers, in_parallel(judge, numbers, effort), strict=True))


def first_differences_by_sets(
    machine: Machine, *, tick: Milliseconds, effort: Effort
) -> dict[str, FirstDifference]:
    """The same, of every fault in one search over sets of times.

    Raises:
        OutOfTime: if the effort was over before the checker was built.
    """
    loop = made_for_sets(lambda eager: _twins(machine, tick, eager))
    if not loop.faults:
        return {}
    events = {under(event, fault.name): fault for fault in loop.faults for event in (DIFFERS, DANGEROUS)}
    found = AskedByFault(loop, events).ask(effort)
    why = NO_RUN if found.exploration.exhausted else CUT_SHORT

    def first(fault: Fault) -> FirstDifference:
        differs, dangerous = (
            found.answers[under(event, fault.name)].happens for event in (DIFFERS, DANGEROUS)
        )
        return FirstDifference(differs, dangerous, why)

    return {fault.name: first(fault) for fault in loop.faults}


def _twins(machine: Machine, tick: Milliseconds, eager: Collection[str] = ()) -> ClosedLoop:
    """Both controllers up to their first difference, with faults of the first one's inputs."""
    own, parts = set(machine.inputs), set(_hung_on_parts(machine))
    both = side_by_side(machine, machine, own=own, parts=parts)
    faults = faults_of(both)
    left_out = [
        item.name
        for item in faults
        if is_second(item.subject) or item.kind not in (FaultKind.INPUT_ON, FaultKind.INPUT_OFF)
    ]
    names = list(machine.outputs)
    hazards = list(hazardous_outputs(machine))
    both = both.model_copy(
        update={
            "requirements": {
                DIFFERS: _never([_pair(Operator.XOR, name) for name in names]),
                DANGEROUS: _never([_pair(Operator.GT, name) for name in hazards]),
            },
            "check": machine.check.model_copy(
                update={
                    "exclude": [
                        *machine.check.exclude,
                        *(
                            Exclusion.model_construct(fault=name, why="looked at elsewhere")
                            for name in left_out
                        ),
                    ]
                }
            ),
        }
    )
    loop = close_loop(
        both, tick=tick, faults=1, possibility=False, controller=_healthy_twin(both, tick), eager=eager
    )
    return _end_at_difference(loop, names)


def _never(trees: list[Expression]) -> Never:
    tree = trees[0]
    for item in trees[1:]:
        tree = Binary(Operator.OR, tree, item, _NOWHERE)
    return Never.model_construct(never=Condition(canonical(tree), tree))


def _pair(operator: Operator, name: str) -> Expression:
    """An output beside its twin: XOR they differ, GT it is on and the twin is off."""
    own, other = Name(f"asked.{name}", _NOWHERE), Name(f"asked.{second(name)}", _NOWHERE)
    return Binary(operator, own, other, _NOWHERE)


def _hung_on_parts(machine: Machine) -> list[str]:
    """Free inputs whose twin needs a memory of its own, so that both must hang on one part."""
    sensed = {name for part in machine.parts.values() for name in part.senses}
    program = lower_controller(machine)
    held = {
        term.signal
        for term in terms_in((*program.observe, *program.decide))
        if isinstance(term, Read) and term.observation is Observation.HELD
    }
    return [
        name
        for name, item in machine.inputs.items()
        if name not in sensed and (item.debounce or name in held)
    ]


def _healthy_twin(both: Machine, tick: Milliseconds) -> ControllerProgram:
    """The controllers of both; what the twin reads of a free input is its healthy circuit."""
    program = lower_controller(both, period=tick)
    sensed = {name for part in both.parts.values() for name in part.senses}
    free = {item.name for item in program.signals if is_second(item.name) and item.name not in sensed}

    def term(given: Term) -> Term:
        match given:
            case Read(signal=name, observation=observation) if name in free:
                return Read(first_name(name), _CIRCUITS[observation])
            case _:
                return given

    return map_controller(without_signals(program, free), term=term)


def _end_at_difference(loop: ClosedLoop, outputs: list[str]) -> ClosedLoop:
    """After the first difference the controllers are switched off for good: nothing is asked any more."""
    asked = {item.name: Ref(item.asked) for item in loop.controller.outputs}
    differ = disjunction(tuple(Operation(Operator.XOR, asked[name], asked[second(name)]) for name in outputs))
    off: list[Statement] = [Assign(loop.dark, TRUE)]
    off += [Assign(cell, Constant(cell.start)) for cell in loop.controller.cells]
    off += [Assign(item.active, Constant(len(item.states))) for item in loop.controller.sequences]
    return replace(loop, settle=(*loop.settle, If(differ, tuple(off))))
