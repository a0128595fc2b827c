"""The reference controller: running it, looking into it, going back, and its reasons."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines_strategy import SMALL, machines, runs
from stillgate.controller.errors import UsageError
from stillgate.controller.execution.executive import Executive
from stillgate.controller.execution.reasons import Supply
from stillgate.controller.machine_file.machine import Level, Machine
from stillgate.controller.program.lowering import lower_controller

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]

GATE: dict[str, Any] = {
    "machine": "yard_gate",
    "scan": "20 ms",
    "inputs": {
        "open_button": {"from": "operator"},
        "stop_ok": {"from": "operator", "contact": "normally_closed"},
        "edge_clear": {"contact": "normally_closed", "debounce": "40 ms"},
        "gate_open": {},
        "gate_shut": {"active": "low"},
    },
    "outputs": {"motor_open": {}, "motor_shut": {"active": "low"}, "lamp": {}},
    "memory": {"cycles": {"range": "0..2", "start": 0}, "called": {}},
    "sequences": {
        "gate": {
            "start": "resting",
            "overrides": [{"when": "not stop_ok", "to": "resting"}],
            "states": {
                "resting": {
                    "exits": [
                        {"when": "rising(open_button)", "to": "opening", "set": ["called"],
                         "do": {"cycles": "cycles + 1"}},
                    ]
                },
                "opening": {
                    "on": ["motor_open"],
                    "exits": [{"when": "gate_open", "to": "waiting"}, {"after": "8 s", "to": "resting"}],
                },
                "waiting": {"exits": [{"after": "10 s", "when": "edge_clear", "to": "shutting"}]},
                "shutting": {
                    "on": ["motor_shut"],
                    "exits": [
                        {"when": "gate_shut", "to": "resting"},
                        {"when": "not edge_clear", "to": "opening"},
                    ],
                },
            },
        }
    },
    "interlocks": [
        {"hold_off": "motor_open", "unless": "not motor_shut"},
        {"hold_off": "motor_shut", "unless": "edge_clear and held(stop_ok, 100 ms)",
         "why": "closing edge must be clear"},
    ],
}  # fmt: skip


@pytest.fixture
def gate() -> Executive:
    """The yard gate, stopped by nothing, before its first scan."""
    found = Executive(Machine.model_validate(GATE))
    found.inputs.update(stop_ok=True, edge_clear=True)
    return found


def demanding(output: str, *, unless: str | None = None, exit_when: str = "false") -> Machine:
    """The gate reduced to one state that demands an output; ``unless`` replaces its interlocks."""
    body = {key: value for key, value in GATE.items() if key != "memory"}
    states = {"only": {"on": [output], "exits": [{"when": exit_when, "to": "only"}]}}
    body["sequences"] = {"gate": {"start": "only", "states": states}}
    if unless is not None:
        body["interlocks"] = [{"hold_off": output, "unless": unless}]
    return Machine.model_validate(body)


def scans(executive: Executive, count: int) -> None:
    """Some scans on the inputs as they are."""
    for _ in range(count):
        executive.scan()


# -- running -----------------------------------------------------------------------------------


def test_a_press_opens_the_gate(gate: Executive) -> None:
    """States, outputs, memory and the exit taken after one scan."""
    gate.inputs["open_button"] = True
    gate.scan()
    assert gate.states == {"gate": "opening"}
    assert gate.outputs == {"motor_open": True, "motor_shut": False, "lamp": False}
    assert gate.memory == {"cycles": 1, "called": True}
    assert gate.taken == ("gate: resting, exit 1 to opening",)


def test_inputs_are_circuits_and_levels_are_electrical(gate: Executive) -> None:
    """``active: low`` stays inside: gate_shut is true while its circuit conducts."""
    gate.inputs["gate_shut"] = True
    gate.scan()
    assert gate.seen["gate_shut"]
    assert gate.levels == {"motor_open": False, "motor_shut": True, "lamp": False}


def test_seen_is_the_debounced_level(gate: Executive) -> None:
    """edge_clear needs 40 ms."""
    found = []
    for _ in range(4):
        gate.scan()
        found.append(gate.seen["edge_clear"])
    assert found == [False, False, True, True]


def test_the_first_scan_is_at_zero_and_time_passes_without_power(gate: Executive) -> None:
    """Scan n, from 0, is at n periods."""
    assert (gate.time_ms, gate.scans) == (0, 0)
    gate.scan()
    assert gate.time_ms == 0
    gate.power_off()
    scans(gate, 3)
    assert (gate.time_ms, gate.powered) == (60, False)
    gate.power_on()
    gate.scan()
    assert (gate.time_ms, gate.powered) == (80, True)


def test_without_power_no_state_is_active_and_all_outputs_are_off(gate: Executive) -> None:
    """And memory is at its start values."""
    gate.inputs["open_button"] = True
    gate.scan()
    gate.power_off()
    assert gate.states == {"gate": None}
    assert not any(gate.outputs.values())
    assert gate.memory == {"cycles": 0, "called": False}
    assert gate.exits() == ()


def test_a_counter_that_would_leave_its_bounds_is_named(gate: Executive) -> None:
    """The third press asks for 3 of 0..2."""
    named = []
    for _ in range(3):
        gate.inputs.update(open_button=True, stop_ok=True)
        gate.scan()
        named.append(gate.left_bounds)
        gate.inputs.update(open_button=False, stop_ok=False)
        gate.scan()
        assert gate.left_bounds == ()
    assert named == [(), (), ("cycles",)]
    assert gate.memory["cycles"] == 2


def test_entry_callbacks_see_the_finished_scan(gate: Executive) -> None:
    """Outputs are written when they are called; an entry from power-on counts."""
    found: list[tuple[int, bool]] = []
    gate.on_entry("gate", "opening", lambda at: found.append((at.time_ms, at.outputs["motor_open"])))
    gate.on_entry("gate", "resting", lambda at: found.append((at.time_ms, at.outputs["motor_open"])))
    gate.scan()
    gate.inputs["open_button"] = True
    gate.scan()
    gate.power_on()
    assert found == [(20, True), (20, False)]


def test_a_program_alone_runs_too() -> None:
    """Without the machine only the words of interlocks are missing."""
    executive = Executive(lower_controller(Machine.model_validate(GATE)))
    executive.inputs["open_button"] = True
    executive.inputs["stop_ok"] = True
    executive.scan()
    assert executive.outputs["motor_open"]
    assert executive.why("motor_shut").permits[0].why == ""


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda gate: gate.inputs.__setitem__("edge_claer", True), "no input 'edge_claer': did"),
        (lambda gate: gate.inputs["gate"], "there is no input 'gate'"),
        (lambda gate: gate.inputs.pop("gate_open"), "'gate_open' belongs to the machine"),
        (lambda gate: gate.why("motor_opne"), "no output 'motor_opne': did you mean 'motor_open'"),
        (lambda gate: gate.exits("gaet"), "no sequence 'gaet': did you mean 'gate'"),
        (lambda gate: gate.why_not("gate.waitin"), "no state 'gate.waitin': did you mean 'gate.waiting'"),
        (lambda gate: gate.on_entry("gate", "wating", print), "no state of 'gate' 'wating': did"),
    ],
)  # fmt: skip
def test_a_wrong_name_is_refused_with_the_nearest_right_one(gate: Executive, ask: Any, message: str) -> None:
    """One clear error each."""
    with pytest.raises(UsageError, match=message):
        ask(gate)


# -- snapshots -----------------------------------------------------------------------------------


def observed(executive: Executive) -> tuple[Any, ...]:
    """All that can be seen, reasons and times included."""
    return (
        executive.states, executive.outputs, executive.memory, executive.seen, executive.time_ms,
        tuple(executive.exits()), tuple(executive.why(name) for name in executive.outputs),
    )  # fmt: skip


@settings(max_examples=50, deadline=None, suppress_health_check=SLOW)
@given(st.data())
def test_a_restored_controller_goes_on_as_if_nothing_had_been(data: Any) -> None:
    """Even with power off, and after other things have happened; reasons and times too."""
    machine = data.draw(machines(SMALL))
    executive, other = Executive(machine), Executive(machine)
    play(executive, machine, data.draw(runs(machine, 20)))
    before = executive.snapshot()
    other.restore(before)
    tail = data.draw(runs(machine, 20))
    play(executive, machine, tail)
    expected = observed(executive)
    executive.restore(before)
    for running in (executive, other):
        play(running, machine, tail)
        assert observed(running) == expected


def play(executive: Executive, machine: Machine, steps: list[dict[str, bool] | str]) -> None:
    """Scans an executive on pin levels, with its power switched."""
    low = {name for name, item in machine.inputs.items() if item.active is Level.LOW}
    for step in steps:
        if isinstance(step, str):
            executive.power_off() if step == "off" else executive.power_on()
        else:
            executive.inputs.update({name: step[name] ^ (name in low) for name in step})
            executive.scan()


def test_snapshots_are_equal_when_nothing_can_differ_from_here_on(gate: Executive) -> None:
    """At rest, all times elapsed, two scans apart: another time only; they can be keys of a search."""
    scans(gate, 600)
    first = gate.snapshot()
    scans(gate, 2)
    assert gate.snapshot() == first
    assert len({first, gate.snapshot()}) == 1
    gate.inputs["open_button"] = True
    gate.scan()
    assert gate.snapshot() != first


def test_a_snapshot_of_another_machine_is_refused(gate: Executive) -> None:
    """By the number of its values."""
    other = Executive(demanding("motor_open"))
    with pytest.raises(UsageError, match="another machine"):
        gate.restore(other.snapshot())


# -- what if -------------------------------------------------------------------------------------


def test_a_placed_controller_answers_for_the_situation(gate: Executive) -> None:
    """Outputs follow the states and interlocks; the time in the state counts."""
    scans(gate, 10)
    gate.place({"gate": "waiting"}, {"cycles": 2, "called": True}, 10_000)
    assert (gate.states, gate.memory) == ({"gate": "waiting"}, {"cycles": 2, "called": True})
    assert gate.why_not("gate.shutting")[0].taken
    gate.place({"gate": "shutting"}, {})
    assert gate.outputs["motor_shut"]
    gate.scan()
    assert gate.states == {"gate": "shutting"}


@settings(max_examples=30, deadline=None, suppress_health_check=SLOW)
@given(st.data())
def test_placing_a_controller_where_it_just_arrived_changes_nothing(data: Any) -> None:
    """All that follows is the same as without."""
    machine = data.draw(machines(SMALL))
    executive, other = Executive(machine), Executive(machine)
    steps = [step for step in data.draw(runs(machine, 20)) if not isinstance(step, str)]
    play(executive, machine, steps)
    play(other, machine, steps)
    entered = {text.partition(":")[0] for text in executive.taken}
    states = {name: state for name, state in executive.states.items() if name in entered and state}
    if executive.scans:
        executive.place(states, executive.memory, machine.scan)
    assert executive.snapshot() == other.snapshot()


@pytest.mark.parametrize(
    ("states", "memory", "message"),
    [
        ({"gate": "wating"}, {}, "no state of 'gate' 'wating': did you mean 'waiting'"),
        ({"gaet": "opening"}, {}, "no sequence 'gaet'"),
        ({}, {"cycle": 1}, "no memory 'cycle': did you mean 'cycles'"),
        ({}, {"cycles": 3}, "'cycles' goes from 0 to 2, not 3"),
    ],
)
def test_an_impossible_situation_is_refused_whole(
    gate: Executive, states: Any, memory: Any, message: str
) -> None:
    """And leaves the controller as it was."""
    before = gate.snapshot()
    with pytest.raises(UsageError, match=message):
        gate.place(states, memory)
    assert gate.snapshot() == before
    gate.power_off()
    with pytest.raises(UsageError, match="power is off"):
        gate.place({}, {})


# -- reasons -------------------------------------------------------------------------------------


def test_before_the_first_scan_and_without_power_the_reason_is_the_supply(gate: Executive) -> None:
    """No permit has been judged yet."""
    assert str(gate.why("motor_open")) == "motor_open off: no scan since power-on"
    gate.power_off()
    reason = gate.why("motor_open")
    assert str(reason) == "motor_open off: power is off"
    assert (reason.supply, reason.permits) == (Supply.OFF, ())


def test_an_output_nobody_demands_says_who_would(gate: Executive) -> None:
    """Or that no state does."""
    gate.scan()
    assert (
        str(gate.why("motor_open")) == "motor_open off: no active state demands it, only gate.opening would"
    )
    assert str(gate.why("lamp")) == "lamp off: no state demands it"


def shutting(gate: Executive) -> None:
    """Runs the gate until it shuts, for a while."""
    gate.inputs["open_button"] = True
    gate.scan()
    gate.inputs.update(open_button=False, gate_open=True)
    scans(gate, 600)
    assert gate.states["gate"] == "shutting"


def test_an_output_that_is_on_says_who_demands_it(gate: Executive) -> None:
    """With the state, and its permits in the tree."""
    shutting(gate)
    assert str(gate.why("motor_shut")) == "motor_shut on: demanded by gate.shutting"


def test_an_output_held_off_names_interlock_reason_condition_and_time() -> None:
    """The sentence a technician starts from, and the tree below it."""
    held = Executive(demanding("motor_shut"))
    held.inputs.update(stop_ok=True, edge_clear=True)
    scans(held, 50)
    held.inputs["edge_clear"] = False
    scans(held, 62)
    assert str(held.why("motor_shut")) == (
        "motor_shut off: held off by interlock 2 (closing edge must be clear), "
        "because edge_clear was false for 1.18 s"
    )
    assert list(held.why("motor_shut").lines())[1:] == [
        "  interlock 2 (closing edge must be clear): holds off",
        "    false  all of: edge_clear and held(stop_ok, 100 ms)",
        "    false    edge_clear  (for 1.18 s)",
        "    true     held(stop_ok, 100 ms)  (stop_ok has been true for 2.22 s)",
    ]


def test_a_ground_that_changed_in_this_scan_is_said_to_have() -> None:
    """The moment of change, not 'for 0 s'."""
    found = Executive(demanding("motor_open", unless="stop_ok"))
    found.inputs["stop_ok"] = True
    found.scan()
    assert str(found.why("motor_open")) == "motor_open on: demanded by gate.only"
    found.inputs["stop_ok"] = False
    found.scan()
    assert str(found.why("motor_open")) == (
        "motor_open off: held off by interlock 1, because stop_ok became false in this scan"
    )


def test_blocked_exits_name_what_is_false_and_the_time_still_to_wait(gate: Executive) -> None:
    """In the order the scan looks at them."""
    gate.inputs["open_button"] = True
    scans(gate, 11)
    assert [str(reason) for reason in gate.exits("gate")] == [
        "gate: override 1 to resting: blocked because stop_ok is true for 200 ms",
        "gate: opening, exit 1 to waiting: blocked because gate_open is false for 200 ms",
        "gate: opening, exit 2 to resting: blocked for another 7.78 s",
    ]


def test_an_open_exit_behind_another_names_the_one_that_goes_first(gate: Executive) -> None:
    """Two exits open at once are a decision somebody should have made."""
    gate.inputs.update(open_button=True, gate_open=True)
    gate.scan()
    gate.place({"gate": "opening"}, {}, 8_000)
    assert [str(reason) for reason in gate.exits()][1:] == [
        "gate: opening, exit 1 to waiting: open",
        "gate: opening, exit 2 to resting: open, but exit 1 to waiting comes before it",
    ]
    gate.inputs["stop_ok"] = False
    gate.place({"gate": "resting"}, {})
    override, _ = gate.exits()
    assert str(override) == "gate: override 1 to resting: open, already there: blocks the exits"
    assert not override.taken


def test_why_not_picks_the_ways_to_one_state(gate: Executive) -> None:
    """From where the sequence is; none is an answer too."""
    gate.inputs["open_button"] = True
    gate.scan()
    (reason,) = gate.why_not("gate.waiting")
    assert str(reason) == "gate: opening, exit 1 to waiting: blocked because gate_open is false"
    assert gate.why_not("gate.shutting") == ()


def test_exits_look_ahead_on_the_inputs_as_they_are_set(gate: Executive) -> None:
    """A press not yet scanned opens the exit; scanned once, it is no edge any more."""
    gate.scan()
    gate.inputs["open_button"] = True
    (reason,) = gate.why_not("gate.opening")
    assert reason.taken
    assert str(reason) == "gate: resting, exit 1 to opening: open"
    assert gate.states["gate"] == "resting", "looking changes nothing"


def test_a_circuit_that_debounce_has_not_accepted_is_mentioned() -> None:
    """Otherwise a technician sees a closed contact and a false name."""
    found = Executive(demanding("motor_open", exit_when="edge_clear"))
    found.inputs["edge_clear"] = True
    assert str(found.exits()[0]) == (
        "gate: only, exit 1 to only: blocked because edge_clear is false "
        "(its circuit conducts already, debounce has not accepted it)"
    )


@settings(max_examples=50, deadline=None, suppress_health_check=SLOW)
@given(st.data())
def test_the_exit_that_is_said_to_be_taken_is_taken(data: Any) -> None:
    """What ``exits`` foretells is what the scan does, for every sequence at every scan."""
    machine = data.draw(machines())
    executive = Executive(machine)
    low = {name for name, item in machine.inputs.items() if item.active is Level.LOW}
    for step in data.draw(runs(machine, 30)):
        if isinstance(step, str):
            executive.power_off() if step == "off" else executive.power_on()
            continue
        executive.inputs.update({name: step[name] ^ (name in low) for name in step})
        foretold = tuple(reason.name for reason in executive.exits() if reason.taken)
        executive.scan()
        assert executive.taken == foretold


@settings(max_examples=50, deadline=None, suppress_health_check=SLOW)
@given(st.data())
def test_the_reason_of_every_output_agrees_with_the_output(data: Any) -> None:
    """On exactly when demanded and permitted; grounds of a held-off output explain it alone."""
    machine = data.draw(machines())
    executive = Executive(machine)
    play(executive, machine, data.draw(runs(machine, 30)))
    executive.power_on()
    executive.scan()
    for name, on in executive.outputs.items():
        reason = executive.why(name)
        assert on == reason.on == bool(reason.demanded_by and not reason.held_off_by)
        for permit in reason.permits:
            assert permit.condition.grounds(), str(permit)
            assert str(reason)
