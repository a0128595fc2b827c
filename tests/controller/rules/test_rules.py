"""What must fit together across the sections: each rule broken once, at its exact place."""

from __future__ import annotations

import pytest

from machine_texts import YARD_GATE, broken, problems_of
from stillgate.controller.errors import Severity
from stillgate.controller.reading.reader import read_machine_text
from stillgate.controller.rules.single_faults import fault_names

ERRORS = [
    # what is replaced, by what (¶ before the place), message, hint
    (
        "    start: resting",
        "    start: ¶restin",
        "the sequence 'gate' has no state 'restin'",
        "did you mean 'resting'?",
    ),
    (
        "{when: gate_open, to: waiting}",
        "{when: gate_open, to: ¶waitin}",
        "has no state 'waitin'",
        "'waiting'",
    ),
    (
        "{when: not stop_ok, to: resting}",
        "{when: not stop_ok, to: ¶rest}",
        "has no state 'rest'",
        "'resting'",
    ),
    ("on: [motor_open]", "on: [¶motr_open]", "there is no output 'motr_open'", "did you mean 'motor_open'?"),
    (
        "on: [motor_open]",
        "on: [motor_open, ¶gate_open]",
        "'gate_open' is an input, and an output is expected",
        "",
    ),
    ("hold_off: motor_shut", "hold_off: ¶motor_shot", "there is no output 'motor_shot'", "'motor_shut'"),
    (
        "hold_off: motor_shut",
        "hold_off: ¶edge_clear",
        "'edge_clear' is an input, and an output is expected",
        "",
    ),
    ("unless: edge_clear", "unless: edge_clear and ¶edg_clear", "unknown name 'edg_clear'", "'edge_clear'"),
    ("when: rising(open_button)", "when: rising(¶leaf.moving)", "known to the simulation", "'gate_shut'"),
    ("when: gate_open,", "when: ¶rail,", "this must be a truth, and this is a number", "count > 0"),
    ("do: {rail: rail + 1}", "do: {rail: ¶armed}", "this must be a number, and this is a truth", ""),
    (
        "do: {rail: rail + 1}",
        "do: {¶motor_open: true}",
        "'motor_open' is an output, and a memory is expected",
        "",
    ),
    ("do: {rail: rail + 1}", "do: {¶rial: 1}", "there is no memory 'rial'", "did you mean 'rail'?"),
    ("set: [armed]", "set: [¶open_button]", "'open_button' is an input, and a memory is expected", ""),
    ("set: [armed]", "set: [armed], clear: [¶armed]", "this exit writes 'armed' twice", "keep one"),
    ("set: [armed]", "set: [armed, ¶armed]", "this exit writes 'armed' twice", "keep one"),
    ("set: [armed]", "set: [¶rail]", "this exit writes 'rail' twice", "keep one"),
    ("clear: [armed]", "clear: [¶rail]", "'rail' is a counter and cannot be cleared", "say 'do: {rail: 0}'"),
    ("clear: [armed]", "set: [¶rail]", "'rail' is a counter and cannot be set", "say 'do: {rail: 0}'"),
    (
        "{when: gate.opening, to: bright}",
        "{when: gate.opening, to: bright, set: [¶armed]}",
        "'armed' is written by the sequence 'gate' already",
        "one sequence writes a memory",
    ),
    ("start: 0", "start: ¶9", "'rail' starts with 9, outside its range 0..5", "say 'start: 0'"),
    (
        "{range: 0..5, start: 0}",
        "{range: 2..5}",
        "'rail' starts with 0, outside its range 2..5",
        "say 'start: 2'",
    ),
    ("start: 0", "start: ¶true", "'rail' is a counter and starts with a number", "say 'start: 0'"),
    (
        "armed: {}",
        "armed: {start: ¶1}",
        "'armed' is a bit and starts true or false",
        "{range: 0..5, start: 1}",
    ),
    ("{after: 8 s, to: resting}", "¶{to: resting}", "neither 'when' nor 'after'", "say 'when: true'"),
    ("hazard: crushing}\nmemory", "hazard: ¶crushng}\nmemory", "there is no hazard 'crushng'", "'crushing'"),
    (
        "within: 200 ms, hazard: crushing",
        "within: 200 ms, hazard: ¶cutting",
        "there is no hazard 'cutting'",
        "",
    ),
    (
        "tick: 100 ms",
        "tick: ¶10 ms",
        "a tick of 10 ms is shorter than the scan, 20 ms",
        "say '20 ms' or more",
    ),
    (
        "tick: 100 ms",
        "tick: ¶110 ms",
        "a tick of 110 ms is no whole number of scans of 20 ms",
        "say '100 ms' or '120 ms'",
    ),
    (
        "fault: stop_ok stuck on",
        "fault: ¶stop_ok stuck onn",
        "no fault 'stop_ok stuck onn'",
        "'stop_ok stuck on'",
    ),
    ("fault: stop_ok stuck on", "fault: ¶leaf jams", "no fault 'leaf jams'", "stuck on"),
    (
        "never: motor_open and motor_shut",
        "never: motor_open and ¶motor",
        "unknown name 'motor'",
        "did you mean 'motor_",
    ),
    ("from_anywhere: gate.resting", "from_anywhere: gate.¶rest", "has no state 'rest'", "'resting'"),
    # parts
    ("forward: motor_open", "forward: ¶motor_opn", "unknown name 'motor_opn'", "'motor_open'"),
    ("back: motor_shut", "back: motor_shut and ¶fan.turning", "'fan.turning' is a motion", "'fan.at_speed'"),
    (
        "back: motor_shut",
        "back: ¶gate_open",
        "'gate_open' belongs to the controller",
        "a part depends on outputs",
    ),
    ("back: motor_shut", "back: ¶leaf.at_shut", "cannot be driven by its own place", ""),
    ("stops: [shut, open]", "stops: [shut, open, ¶shut]", "'shut' stands here twice", "its own name"),
    ("stops: [shut, open]", "stops: [shut, open, ¶anywhere]", "a stop cannot be called 'anywhere'", ""),
    ("takes: 3..5 s", "takes: 3..5 s\n    starts: ¶opn", "there is no stop 'opn'", "did you mean 'open'?"),
    ("takes: 3..5 s", "takes: ¶0 ms", "'takes' cannot be no time at all", "100 ms"),
    ("lasts: 1 s", "lasts: ¶0 s", "'lasts' cannot be no time at all", "100 ms"),
    ("gate_shut: at shut", "gate_shut: at ¶shutt", "'leaf' has no place 'shutt'", "did you mean 'shut'?"),
    ("gate_shut: at shut", "gate_shut: ¶motor_shut", "'motor_shut' is an output; a switch senses", ""),
    ("gate_shut: at shut", "¶gate_sht: at shut", "there is no input 'gate_sht'", "did you mean 'gate_shut'?"),
    ("gate_shut: at shut", "¶motor_shut: at shut", "'motor_shut' is an output, and an input is expected", ""),
    (
        "gate_shut: at shut",
        "¶stop_ok: at shut",
        "'stop_ok' is moved by the operator",
        "remove 'from: operator'",
    ),
    (
        "runs_down: 1..2 s",
        "runs_down: 1..2 s, senses: {¶gate_open: at_speed}",
        "the switch 'gate_open' is closed by the part 'leaf' already",
        "one part closes one switch",
    ),
    (
        "{to: home, when: leaf.moving",
        "{to: ¶hom, when: leaf.moving",
        "the part 'bolt' has no state 'hom'",
        "'home'",
    ),
    ("{to: out, freely: true}", "¶{to: out}", "no 'when', 'takes' or 'freely'", "say 'freely: true'"),
    (
        "when: leaf.moving",
        "when: ¶rising(leaf.moving)",
        "'rising' cannot stand in a part's condition",
        "'takes'",
    ),
    (
        "kind: automaton",
        "kind: automaton\n    starts: ¶hme",
        "there is no state 'hme'",
        "did you mean 'home'?",
    ),
    (
        "while: leaf.at_open",
        "while: ¶stop_ok",
        "'stop_ok' belongs to the controller",
        "a part depends on outputs",
    ),
]


@pytest.mark.parametrize(("old", "new", "message", "hint"), ERRORS)
def test_a_broken_rule_is_reported_at_its_place(old: str, new: str, message: str, hint: str) -> None:
    text, place = broken(old, new)
    problems = problems_of(text)
    matching = [
        p for p in problems if message in p.message and hint in p.hint and (p.line, p.column) == place
    ]
    if place is None:
        matching = [p for p in problems if message in p.message and hint in p.hint]
    assert matching, problems


def test_a_name_stands_for_one_thing_only() -> None:
    text, _ = broken("memory:\n", "memory:\n  leaf: {}\n")
    (problem,) = [p for p in problems_of(text) if "already the name" in p.message]
    assert problem.message == "'leaf' is already the name of one of the memory"
    assert text.splitlines()[problem.line - 1].strip().startswith("leaf:")


WARNINGS = [
    ("outputs:\n", "outputs:\n  ¶horn: {}\n", "nothing drives the output 'horn'", "on: [horn]"),
    ("inputs:\n", "inputs:\n  ¶spare: {}\n", "nothing reads the input 'spare'", ""),
    ("memory:\n", "memory:\n  ¶spare: {}\n", "nothing writes 'spare'", ""),
    ("when: armed, clear: [armed]", "when: stop_ok, clear: [armed]", "nothing reads 'armed'", ""),
    (
        "      dark: {exits",
        "      ¶grey: {}\n      dark: {exits",
        "no exit leads out of the state 'grey'",
        "end: true",
    ),
    ("      dark: {exits", "      ¶grey: {}\n      dark: {exits", "no exit leads to the state 'grey'", ""),
    (
        "{exits: [{when: gate.resting, to: dark}]}",
        "{end: ¶true, exits: [{when: gate.resting, to: dark}]}",
        "'bright' is marked as an end and has exits",
        "",
    ),
    (
        "{when: gate.resting, to: dark}",
        "{when: true, to: dark}, ¶{when: stop_ok, to: dark}",
        "this exit is never taken",
        "last",
    ),
    ("on: [motor_open]", "on: [motor_open, ¶motor_open]", "'motor_open' stands here twice", ""),
    ("within: 200 ms", "within: ¶10 ms", "10 ms is shorter than one scan and cannot be kept", "20 ms"),
    ("gate.resting}", "gate.resting, faults: ¶1}", "'faults' says nothing here", "leave it out"),
    ("hazards:\n", "hazards:\n  ¶cutting: at the blade\n", "no requirement names the hazard 'cutting'", ""),
    ("why: two contacts in series}", "why: a}, {fault: ¶stop_ok stuck on, why: b}", "is excluded twice", ""),
]


@pytest.mark.parametrize(("old", "new", "message", "hint"), WARNINGS)
def test_a_doubtful_thing_is_a_warning_at_its_place(old: str, new: str, message: str, hint: str) -> None:
    text, place = broken(old, new)
    assert problems_of(text) == []
    warnings = problems_of(text, Severity.WARNING)
    matching = [p for p in warnings if message in p.message and hint in p.hint]
    assert matching, warnings
    assert place is None or place in [(p.line, p.column) for p in matching]


def test_names_that_differ_in_case_only_are_a_warning() -> None:
    """Source: IEC 61131-3, 2.1.2: case is not significant in identifiers."""
    text, _ = broken("inputs:\n", "inputs:\n  Motor_Open: {}\n")
    found = [p for p in problems_of(text, Severity.WARNING) if "differ in case only" in p.message]
    assert [p.message for p in found] == ["'motor_open' and 'Motor_Open' differ in case only"]


def test_an_override_is_a_way_out_of_every_state_but_its_own_target() -> None:
    text, _ = broken("{exits: [{after: 10 s, to: shutting, when: armed, clear: [armed]}]}", "{}")
    messages = [p.message for p in problems_of(text, Severity.WARNING)]
    assert "no exit leads out of the state 'waiting'" not in messages
    first = "{exits: [{when: rising(open_button), to: opening, do: {rail: rail + 1}, set: [armed]}]}"
    text, _ = broken(first, "{}")
    messages = [p.message for p in problems_of(text, Severity.WARNING)]
    assert "no exit leads out of the state 'resting'" in messages


@pytest.mark.parametrize(("exits", "warned"), [("[{when: a, to: run, do: {n: n + 1}}]", False), ("[]", True)])
def test_a_sequence_of_one_state_works_by_its_own_exits(exits: str, warned: bool) -> None:
    """There is no other state to lead to; without exits it does nothing at all."""
    text = "machine: m\nscan: 20 ms\ninputs: {a: {}}\nmemory: {n: {range: 0..5}}\nsequences:\n"
    text += f"  s: {{start: run, states: {{run: {{exits: {exits}}}}}}}\n"
    messages = [p.message for p in problems_of(text, Severity.WARNING)]
    assert ("no exit leads out of the state 'run'" in messages) == warned


def test_a_state_meant_as_an_end_is_no_warning() -> None:
    text, _ = broken("bright: {exits: [{when: gate.resting, to: dark}]}", "bright: {end: true}")
    assert problems_of(text, Severity.WARNING) == []


def test_a_file_without_hazards_may_name_any_hazard() -> None:
    text, _ = broken("hazards:\n  crushing: between the leaf and the post\n", "")
    assert problems_of(text) == []


def test_the_correct_file_has_no_problem_at_all() -> None:
    assert problems_of(YARD_GATE) == []
    assert problems_of(YARD_GATE, Severity.WARNING) == []


def test_every_single_fault_has_a_name() -> None:
    """Stuck on and off for each signal, and power: design of the fault model, ours."""
    machine = read_machine_text(YARD_GATE).machine
    names = fault_names(machine)
    assert len(names) == 2 * (5 + 2) + 1
    assert names[0] == "open_button stuck on"
    assert names[-1] == "power interrupted"
    assert len(set(names)) == len(names)
