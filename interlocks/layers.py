"""Layers: which of sequences and interlocks carries a hazard requirement.

Each is judged three ways, over every reachable situation:

sequences alone
    The interlocks are removed.
interlocks alone
    Every output is demanded at will in every scan, whatever the states say. The sequences still run,
    because interlocks read their states; they only have no say in the demands any more.
both
    The machine as the file has it.

A requirement that either layer carries alone survives a mistake in the other one.

Demanding every output at will multiplies what one scan may lead to. Beyond ``MOST_AT_WILL`` outputs
only those are that a requirement speaks of, itself or through the parts it reads; the others stay with
the sequences. A break found so is a break with arbitrary demands, too; where none is found the verdict
is undecided, and says so.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path as FilePath

from pydantic import BaseModel
from stillgate.controller.expression import Name, walk
from stillgate.controller.lowering import lower_controller
from stillgate.controller.machine import (
    Exclusion,
    FromAnywhere,
    Input,
    Machine,
    Reach,
    Requirement,
)
from stillgate.controller.program import (
    FALSE,
    Assign,
    Cell,
    Complement,
    ControllerProgram,
    Lookup,
    Observation,
    Operation,
    Read,
    Ref,
    Stage,
    Statement,
    Term,
    conjunction,
    terms_in,
)
from stillgate.controller.quantities import Condition, Milliseconds, SenseCondition
from stillgate.controller.reader import MachineDocument
from stillgate.sim_io.faults import faults_of

from .assumptions import assumptions_of
from .check import DEFAULT_BYTES, judgement_of, required_faults
from .closed_loop import ClosedLoop, close_loop
from .evidence import Carrier, LayerRow, LayerTable
from .explorer import Limits, Progress
from .search import Search, build_checker
from .verdict import CheckResult, Exploration, Judgement, Word

ABOUT = (
    "Sequences alone: the interlocks are removed. Interlocks alone: every output is demanded at will in "
    "every scan; the sequences still run, because interlocks read their states.",
)


def layers(
    document: MachineDocument,
    result: CheckResult,
    *,
    faults: int = 0,
    threads: int | None = None,
    max_states: int | None = None,
    max_bytes: int | None = None,
    time_limit: float | None = None,
    progress: Callable[[Progress], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> LayerTable:
    """Which layer carries each requirement that names a hazard.

    Args:
        result: the check of the same file, which judges both layers together.
        faults: 0 or 1; with 1, requirements that must withstand a fault are judged under one.
        threads, max_states, max_bytes: of each of the two searches.
        time_limit: seconds of each of the two searches; what is not broken by then is undecided.
        progress: called a few times a second while a search runs.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    began = time.monotonic()
    budget = min(faults, result.faults)
    wanted = {
        name: item
        for name, item in document.machine.requirements.items()
        if item.hazard is not None
        and not isinstance(item, Reach | FromAnywhere)
        and required_faults(document.machine, item) >= budget
    }
    machine = document.machine.model_copy(update={"requirements": wanted})
    limits = Limits(threads=threads, states=max_states, bytes=max_bytes or DEFAULT_BYTES, seconds=time_limit)
    bare = machine.model_copy(update={"interlocks": []})
    groups = _groups(machine, result.tick)
    loops = [close_loop(bare, tick=result.tick, faults=budget, possibility=False)]
    for names, free, _ in groups:
        some = machine.model_copy(update={"requirements": {name: wanted[name] for name in names}})
        loops.append(_at_will(some, result.tick, budget, free))
    libraries = _built(loops, on_slow_build) if wanted else []
    sequences: dict[str, Judgement] = {}
    interlocks: dict[str, Judgement] = {}
    if wanted:
        sequences = _judge(loops[0], libraries[0], wanted, limits, progress)
    for number, (names, free, whole) in enumerate(groups, 1):
        some_wanted = {name: wanted[name] for name in names}
        found = _judge(loops[number], libraries[number], some_wanted, limits, progress)
        interlocks.update(
            found if whole else {name: _only_broken(item, free) for name, item in found.items()}
        )
    both = {
        item.name: judgement
        for item in result.requirements
        for judgement in item.judgements
        if judgement.faults == budget
    }
    rows = tuple(
        _row(name, item, sequences[name], interlocks[name], both[name]) for name, item in wanted.items()
    )
    return LayerTable(
        machine=machine.machine,
        faults=budget,
        tick=result.tick,
        rows=rows,
        assumptions=(*ABOUT, *assumptions_of(machine, result.tick, budget)),
        seconds=time.monotonic() - began,
    )


def _built(loops: list[ClosedLoop], on_slow_build: Callable[[], None] | None) -> list[FilePath]:
    """The checkers of all loops: a compiler takes longer than most of these searches, so several run."""
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(lambda loop: build_checker(loop, on_slow_build), loops))


def _judge(
    loop: ClosedLoop,
    library: FilePath,
    wanted: Mapping[str, Requirement],
    limits: Limits,
    progress: Callable[[Progress], None] | None,
) -> dict[str, Judgement]:
    exploration = _ended_early(loop)

    def look(now: Progress) -> None:
        if progress is not None:
            progress(now)
        if all(search.has_broken(loop.requirement_names.index(name)) for name in wanted):
            raise _AllBrokenError

    with Search(loop, library, limits) as search:
        with suppress(_AllBrokenError):
            exploration = search.run(look)
        runs = search.breaks()
    return {
        name: judgement_of(exploration, name, requirement, runs.get(name))
        for name, requirement in wanted.items()
    }


class _AllBrokenError(Exception):
    """Raised from a search's progress to end it: there is nothing left to find."""


def _ended_early(loop: ClosedLoop) -> Exploration:
    """What a search covered that ended when everything was broken: nothing leans on it."""
    return Exploration(
        faults=loop.budget, tick=loop.tick, exhausted=False, stopped_by="every requirement broken", states=0,
        transitions=0, depth=0, seconds=0.0, key_bits=0, bytes_per_state=0.0, threads=0, initial_states=0,
    )  # fmt: skip


def _row(
    name: str, item: Requirement, sequences: Judgement, interlocks: Judgement, both: Judgement
) -> LayerRow:
    carrier = _carrier(sequences.word, interlocks.word, both.word)
    assert item.hazard is not None
    texts = {
        Carrier.EITHER: "holds with either layer alone",
        Carrier.SEQUENCES: "the sequences carry it; the interlocks alone do not",
        Carrier.INTERLOCKS: "the interlocks carry it; the sequences alone do not",
        Carrier.BOTH: "neither layer carries it alone; together they do",
        Carrier.NONE: "broken even with both layers",
        Carrier.UNDECIDED: "undecided: a search was cut short",
    }
    return LayerRow(name, item.hazard, sequences, interlocks, both, carrier, texts[carrier])


def _carrier(sequences: Word, interlocks: Word, both: Word) -> Carrier:
    if both is Word.BROKEN:
        return Carrier.NONE
    if Word.UNDECIDED in (sequences, interlocks, both):
        return Carrier.UNDECIDED
    match sequences is Word.HOLDS, interlocks is Word.HOLDS:
        case True, True:
            return Carrier.EITHER
        case True, False:
            return Carrier.SEQUENCES
        case False, True:
            return Carrier.INTERLOCKS
        case _:
            return Carrier.BOTH


# -- outputs at will -------------------------------------------------------------------------------


MOST_AT_WILL = 8
"""Outputs up to which all are demanded at will at once."""


def _groups(machine: Machine, tick: Milliseconds) -> list[tuple[list[str], frozenset[str], bool]]:
    """Requirements to judge together, the outputs at will for them, and whether those are all that matter."""
    everything = _read_outputs(machine, tick)
    if not machine.requirements:
        return []
    if len(everything) <= MOST_AT_WILL:
        return [(list(machine.requirements), everything, True)]
    groups: dict[frozenset[str], list[str]] = {}
    for name, item in machine.requirements.items():
        groups.setdefault(_spoken_of(machine, item), []).append(name)
    return [(names, free, free >= everything) for free, names in groups.items()]


def _read_outputs(machine: Machine, tick: Milliseconds) -> frozenset[str]:
    """Outputs that a part, a requirement or the controller itself reads."""
    loop = close_loop(machine, tick=tick, faults=0, possibility=False)
    stages = loop.controller.stages[:-1]
    blocks = (*loop.plant.conditions, *loop.monitors.block, *loop.controller.observe)
    read = {
        term.cell
        for term in terms_in((*blocks, *(item for stage in stages for item in stage.block)))
        if isinstance(term, Ref)
    }
    return frozenset(
        output.name
        for output in loop.controller.outputs
        if loop.plant.driven[output.name] in read or output.asked in read
    )


def _spoken_of(machine: Machine, item: Requirement) -> frozenset[str]:
    """Outputs that a requirement reads, itself or through parts."""
    outputs: set[str] = set()
    parts: set[str] = set()
    waiting: list[BaseModel] = [item]
    while waiting:
        for condition in _conditions_in(waiting.pop()):
            for node in walk(condition.tree):
                if not isinstance(node, Name):
                    continue
                head = node.path.removeprefix("asked.").partition(".")[0]
                if head in machine.outputs:
                    outputs.add(head)
                elif head in machine.parts and head not in parts:
                    parts.add(head)
                    waiting.append(machine.parts[head])
    return frozenset(outputs)


def _conditions_in(model: BaseModel) -> Iterator[Condition]:
    for name in type(model).model_fields:
        yield from _conditions_of(getattr(model, name))


def _conditions_of(value: object) -> Iterator[Condition]:
    match value:
        case SenseCondition():
            return
        case Condition():
            yield value
        case BaseModel():
            yield from _conditions_in(value)
        case dict():
            for item in value.values():
                yield from _conditions_of(item)
        case list():
            for item in value:
                yield from _conditions_of(item)
        case _:
            return


def _only_broken(judgement: Judgement, free: frozenset[str]) -> Judgement:
    """A verdict found with some outputs at will: a break stands, anything else is undecided."""
    if judgement.word is not Word.HOLDS:
        return judgement
    reason = (
        f"nothing broke with {', '.join(sorted(free)) or 'no output'} at will; others as the sequences ask"
    )
    return replace(judgement, word=Word.UNDECIDED, reason=reason)


def _demand(output: str) -> str:
    """The input that demands an output; no user's name has two underscores in a row."""
    return f"demand__{output}"


def _at_will(machine: Machine, tick: Milliseconds, budget: int, free: frozenset[str]) -> ClosedLoop:
    """The loop in which some outputs are demanded by a free input of their own each."""
    names = [name for name in machine.outputs if name in free]
    inputs = {**machine.inputs, **{_demand(name): Input.model_construct(source="operator") for name in names}}
    willing = machine.model_copy(update={"inputs": inputs})
    made = {_demand(name) for name in names}
    excluded = [
        Exclusion.model_construct(fault=item.name, why="stands for the sequences")
        for item in faults_of(willing)
        if item.subject in made
    ]
    check = machine.check.model_copy(update={"exclude": [*machine.check.exclude, *excluded]})
    willing = willing.model_copy(update={"check": check})
    program = _demanded_at_will(lower_controller(willing, period=tick), free)
    return close_loop(willing, tick=tick, faults=budget, possibility=False, controller=program)


def _demanded_at_will(program: ControllerProgram, free: frozenset[str]) -> ControllerProgram:
    """Demands become free inputs, asked only where every interlock lets the output through."""
    demands: dict[Cell, Term] = {
        output.demand: Read(_demand(output.name), Observation.LEVEL)
        for output in program.outputs
        if output.name in free
    }

    def term(given: Term) -> Term:
        match given:
            case Ref(cell=cell) if cell in demands:
                return demands[cell]
            case Complement(operand=operand):
                return Complement(term(operand))
            case Operation(operator=operator, left=left, right=right):
                return Operation(operator, term(left), term(right))
            case Lookup(table=table, index=index):
                return Lookup(table, term(index))
            case _:
                return given

    outputs = tuple(
        replace(item, permits=tuple((index, term(permit)) for index, permit in item.permits))
        for item in program.outputs
    )
    last = program.stages[-1]
    own = {cell for output in outputs if output.name in free for cell in (output.demand, output.asked)}
    kept: list[Statement] = []
    for item in last.block:
        if not isinstance(item, Assign):
            kept.append(item)
        elif item.cell not in own:
            kept.append(Assign(item.cell, term(item.value)))
    for output in outputs:
        if output.name not in free:
            continue
        permits = tuple(permit for _, permit in output.permits)
        kept.append(Assign(output.demand, FALSE))
        kept.append(Assign(output.asked, conjunction((*permits, demands[output.demand]))))
    return replace(program, outputs=outputs, stages=(*program.stages[:-1], Stage(last.name, tuple(kept))))
