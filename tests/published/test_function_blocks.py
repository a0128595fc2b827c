"""R_TRIG, F_TRIG and TON of IEC 61131-3 on every implementation of the controller.

Source of the rules: IEC 61131-3, standard function blocks for edge detection and timers
(edition 2 tables 35 and 38, edition 3 tables 44 and 46). The rules are quoted from memory,
unconfirmed [M]; tick traces derived from them were recomputed from first principles [R].
The traps below them are this project's settled semantics (design, items 5 and 6).
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from backends import PYTHON_BACKENDS, Backend, every_backend, trace
from stillgate.controller.machine_file.machine import Machine

ARGUMENTS = ("clk", "clk and true", "not (not clk)")
"""A block fed by an input itself, and by more than a name (another memory in the program)."""


def block(expression: str, debounce: str = "0 ms") -> Machine:
    """A machine whose output q is the block's output Q at every scan, and whose input is clk."""
    return Machine.model_validate(
        {
            "machine": "block",
            "scan": "10 ms",
            "inputs": {"clk": {"debounce": debounce}},
            "outputs": {"q": {}},
            "sequences": {"s": {"start": "on", "states": {"on": {"on": ["q"], "end": True}}}},
            "interlocks": [{"hold_off": "q", "unless": expression}],
        }
    )


def outputs(backend: type[Backend], machine: Machine, levels: list[int], name: str = "q") -> list[int]:
    """The output after each scan on the given levels of clk."""
    steps = [{"clk": bool(level)} for level in levels]
    return [int(found[name]) for _, found, _ in trace(backend, machine, steps)]


def bits(text: str) -> list[int]:
    """A trace written as '0 1 1'."""
    return [int(word) for word in text.split()]


# -- the standard's rules ------------------------------------------------------------------


def r_trig(levels: list[int]) -> list[int]:
    """Q := CLK AND NOT M; M := CLK; M starts false (IEC 61131-3 body of R_TRIG [M])."""
    memory, found = 0, []
    for clk in levels:
        found.append(int(clk and not memory))
        memory = clk
    return found


def f_trig(levels: list[int]) -> list[int]:
    """Q := NOT CLK AND NOT M; M := NOT CLK, with M starting true (body of F_TRIG [M]).

    With M starting false, as the body is printed, a level that is false at cold start would
    give one Q that no edge caused; the guideline to the standard (part 8) starts M true [M].
    """
    memory, found = 1, []
    for clk in levels:
        found.append(int(not clk and not memory))
        memory = int(not clk)
    return found


def ton(levels: list[int], preset: int) -> list[int]:
    """IN false: Q false, ET 0. IN true: ET counts from 0 to PT and Q is ET = PT (rule of TON [M])."""
    elapsed, running, found = 0, False, []
    for clk in levels:
        elapsed = min(elapsed + 1, preset) if clk and running else 0
        running = bool(clk)
        found.append(int(clk and elapsed == preset))
    return found


def test_the_rule_of_ton_gives_the_recomputed_tick_trace() -> None:
    """TON PT 3 ticks, IN 0 1 1 1 1 1 0 1 gives Q 0 0 0 0 1 1 0 0 [R]."""
    assert ton(bits("0 1 1 1 1 1 0 1"), 3) == bits("0 0 0 0 1 1 0 0")


@every_backend()
@pytest.mark.parametrize("argument", ARGUMENTS)
def test_ton_follows_the_published_timing(backend: type[Backend], argument: str) -> None:
    """The same trace, [R]: PT is 30 ms at a scan of 10 ms."""
    machine = block(f"held({argument}, 30 ms)")
    assert outputs(backend, machine, bits("0 1 1 1 1 1 0 1")) == bits("0 0 0 0 1 1 0 0")


@every_backend()
def test_a_pulse_shorter_than_pt_never_sets_q_of_ton(backend: type[Backend]) -> None:
    """IEC 61131-3 timing diagram of TON [M]: two pulses of 30 ms do not add up to 40 ms."""
    levels = bits("1 1 1 1 0 1 1 1 1 0 0")
    assert outputs(backend, block("held(clk, 40 ms)"), levels) == [0] * len(levels)


@every_backend()
def test_pt_between_two_scans_counts_up(backend: type[Backend]) -> None:
    """The first scan at which 25 ms have elapsed is the one at 30 ms: times round up (design, item 11)."""
    assert outputs(backend, block("held(clk, 25 ms)"), bits("1 1 1 1 1")) == bits("0 0 0 1 1")


@every_backend()
def test_pt_zero_follows_in_at_once(backend: type[Backend]) -> None:
    """With PT 0, ET = PT as soon as IN is true (rule of TON [M])."""
    assert outputs(backend, block("held(clk, 0 ms)"), bits("0 1 1 0 1")) == bits("0 1 1 0 1")


@every_backend()
@pytest.mark.parametrize("argument", ARGUMENTS)
def test_r_trig_is_true_for_one_scan_after_a_rise(backend: type[Backend], argument: str) -> None:
    """One true Q a rise, none while CLK stays true (IEC 61131-3 R_TRIG [M])."""
    assert outputs(backend, block(f"rising({argument})"), bits("0 1 1 1 0 0 1 0 1")) == bits(
        "0 1 0 0 0 0 1 0 1"
    )


@every_backend()
@pytest.mark.parametrize("argument", ARGUMENTS)
def test_f_trig_is_true_for_one_scan_after_a_fall(backend: type[Backend], argument: str) -> None:
    """One true Q a fall (IEC 61131-3 F_TRIG [M])."""
    assert outputs(backend, block(f"falling({argument})"), bits("0 1 1 0 0 1 0 1 1")) == bits(
        "0 0 0 1 0 0 1 0 0"
    )


@every_backend()
@pytest.mark.parametrize("argument", ARGUMENTS)
def test_a_level_that_is_true_at_power_on_rises_in_the_first_scan(
    backend: type[Backend], argument: str
) -> None:
    """As R_TRIG is written, with M starting false [M]; one drive maker documents otherwise [C]."""
    assert outputs(backend, block(f"rising({argument})"), bits("1 1 1")) == bits("1 0 0")


@every_backend()
@pytest.mark.parametrize("argument", ARGUMENTS)
def test_a_level_that_is_false_at_power_on_does_not_fall(backend: type[Backend], argument: str) -> None:
    """M of F_TRIG starts true here, see ``f_trig``."""
    assert outputs(backend, block(f"falling({argument})"), bits("0 0 0")) == bits("0 0 0")


@pytest.mark.parametrize("backend", PYTHON_BACKENDS)
@settings(max_examples=40, deadline=None)
@given(
    levels=st.lists(st.integers(0, 1), min_size=1, max_size=30),
    preset=st.integers(0, 5),
    argument=st.sampled_from(ARGUMENTS),
)
def test_the_blocks_do_what_their_bodies_say_on_any_trace(
    backend: type[Backend], levels: list[int], preset: int, argument: str
) -> None:
    """Against the standard's bodies above [M]."""
    assert outputs(backend, block(f"rising({argument})"), levels) == r_trig(levels)
    assert outputs(backend, block(f"falling({argument})"), levels) == f_trig(levels)
    assert outputs(backend, block(f"held({argument}, {preset * 10} ms)"), levels) == ton(levels, preset)


@every_backend()
def test_a_block_works_on_while_no_active_state_reads_it(backend: type[Backend]) -> None:
    """One memory an argument, updated in every scan: entering b when clk is long true sees no rise."""
    machine = sequence(
        {
            "a": {"exits": [{"after": "20 ms", "to": "b"}]},
            "b": {"exits": [{"when": "rising(clk)", "to": "c"}, {"when": "held(clk, 30 ms)", "to": "d"}]},
            "c": {"end": True},
            "d": {"end": True},
        }
    )
    assert states(backend, machine, bits("1 1 1 1 1")) == ["a", "a", "b", "d", "d"]


# -- the traps of exits, overrides and debounce ------------------------------------------------


def sequence(bodies: dict[str, Any], **more: Any) -> Machine:
    """A machine of one sequence that begins in state a; ``more`` gives other sections."""
    overrides = more.pop("overrides", [])
    body = {
        "machine": "traps",
        "scan": "10 ms",
        "inputs": {"clk": {}},
        "sequences": {"s": {"start": "a", "states": bodies, "overrides": overrides}},
    }
    return Machine.model_validate(body | more)


def states(backend: type[Backend], machine: Machine, levels: list[int], name: str = "s") -> list[str | None]:
    """The active state after each scan."""
    return [
        found[name] for found, _, _ in trace(backend, machine, [{"clk": bool(level)} for level in levels])
    ]


@every_backend()
def test_after_is_true_from_the_first_scan_with_the_time_elapsed_since_entry(backend: type[Backend]) -> None:
    """The entry scan counts 0: entered at scan 0, 'after 20 ms' is true at scan 2; from there anew."""
    machine = sequence(
        {"a": {"exits": [{"after": "20 ms", "to": "b"}]}, "b": {"exits": [{"after": "20 ms", "to": "a"}]}}
    )
    assert states(backend, machine, [0] * 7) == ["a", "a", "b", "b", "a", "a", "b"]


@every_backend()
def test_after_stays_true_and_when_is_needed_too(backend: type[Backend]) -> None:
    """With 'when', both are needed; the time once elapsed stays elapsed."""
    machine = sequence({"a": {"exits": [{"after": "20 ms", "when": "clk", "to": "b"}]}, "b": {"end": True}})
    assert states(backend, machine, bits("1 1 0 0 0 1")) == ["a", "a", "a", "a", "a", "b"]


@every_backend()
def test_after_zero_leaves_in_the_scan_after_entry(backend: type[Backend]) -> None:
    """At most one exit a sequence a scan, even when the next one is already open."""
    machine = sequence(
        {
            "a": {"exits": [{"after": "0 ms", "to": "b"}]},
            "b": {"exits": [{"after": "0 ms", "to": "c"}]},
            "c": {"end": True},
        }
    )
    assert states(backend, machine, [0] * 3) == ["b", "c", "c"]


@every_backend()
def test_an_override_to_the_active_state_blocks_its_exits_and_resets_nothing(backend: type[Backend]) -> None:
    """No action, no timer reset: the exit is taken in the first scan without it."""
    machine = sequence(
        {"a": {"exits": [{"after": "30 ms", "to": "b"}]}, "b": {"end": True}},
        overrides=[{"when": "clk", "to": "a", "set": ["bit"]}],
        memory={"bit": {}},
    )
    found = list(trace(backend, machine, [{"clk": bool(level)} for level in bits("1 1 1 1 1 0")]))
    assert [state["s"] for state, _, _ in found] == ["a"] * 5 + ["b"]
    assert not any(memory["bit"] for _, _, memory in found)


@every_backend()
def test_an_override_to_the_active_state_blocks_later_overrides_too(backend: type[Backend]) -> None:
    """Overrides are looked at in file order and the first true one decides."""
    machine = sequence(
        {"a": {"end": True}, "b": {"end": True}},
        overrides=[{"when": "clk", "to": "a"}, {"when": "true", "to": "b"}],
    )
    assert states(backend, machine, bits("1 1 0 0 1")) == ["a", "a", "b", "b", "a"]


@every_backend()
def test_an_exit_to_its_own_state_enters_anew(backend: type[Backend]) -> None:
    """It acts and resets the time: 'after 30 ms' counts from the last such exit."""
    machine = sequence(
        {
            "a": {"exits": [{"when": "clk", "to": "a", "do": {"n": "n + 1"}}, {"after": "30 ms", "to": "b"}]},
            "b": {"end": True},
        },
        memory={"n": {"range": "0..9", "start": 0}},
    )
    found = list(trace(backend, machine, [{"clk": bool(level)} for level in bits("0 0 1 0 0 0")]))
    assert [state["s"] for state, _, _ in found] == ["a"] * 5 + ["b"]
    assert [memory["n"] for _, _, memory in found] == [0, 0, 1, 1, 1, 1]


@every_backend()
def test_the_first_open_exit_in_file_order_is_taken(backend: type[Backend]) -> None:
    """File order is the priority."""
    machine = sequence(
        {
            "a": {"exits": [{"when": "clk", "to": "b"}, {"when": "true", "to": "c"}]},
            "b": {"exits": [{"when": "true", "to": "a"}]},
            "c": {"exits": [{"when": "true", "to": "a"}]},
        }
    )
    assert states(backend, machine, bits("1 0 0 0")) == ["b", "a", "c", "a"]


@every_backend()
@pytest.mark.parametrize(
    ("debounce", "levels", "accepted"),
    [
        ("0 ms", "0 1 0 1 1", "0 1 0 1 1"),
        ("20 ms", "0 1 1 1 1 0 0 0 0", "0 0 0 1 1 1 1 0 0"),
        ("20 ms", "1 1 1", "0 0 1"),
        ("20 ms", "1 1 0 1 1 0 1 1 1", "0 0 0 0 0 0 0 0 1"),
        ("25 ms", "1 1 1 1", "0 0 0 1"),
    ],
)
def test_debounce_accepts_a_level_at_the_first_sample_by_which_it_has_differed_for_its_time(
    backend: type[Backend], debounce: str, levels: str, accepted: str
) -> None:
    """Differing first at sample k, for 20 ms at 10 ms a scan: accepted at sample k + 2."""
    machine = block("clk", debounce=debounce)
    assert outputs(backend, machine, bits(levels)) == bits(accepted)


@every_backend()
def test_edges_and_holds_see_the_debounced_level(backend: type[Backend]) -> None:
    """Debounce comes first in the scan: a bounce neither rises nor falls."""
    machine = sequence(
        {"a": {"exits": [{"when": "rising(clk)", "to": "b"}]}, "b": {"end": True}},
        inputs={"clk": {"debounce": "10 ms"}},
    )
    assert states(backend, machine, bits("1 0 1 0 1 1 1")) == ["a"] * 5 + ["b", "b"]


@every_backend()
@pytest.mark.parametrize("active", ["high", "low"])
def test_polarity_is_undone_at_the_pin_and_contact_inverts_nothing(
    backend: type[Backend], active: str
) -> None:
    """Active low: the name is true while the pin is low; normally closed changes nothing (item 1)."""
    for contact in ("normally_open", "normally_closed"):
        machine = sequence(
            {"a": {"exits": [{"when": "clk", "to": "b"}]}, "b": {"exits": [{"when": "not clk", "to": "a"}]}},
            inputs={"clk": {"active": active, "contact": contact}},
        )
        expected = ["a", "b", "a"] if active == "high" else ["b", "a", "b"]
        assert states(backend, machine, bits("0 1 0")) == expected


@every_backend()
def test_all_guards_of_one_scan_read_the_values_at_its_start(backend: type[Backend]) -> None:
    """Two sequences that follow each other swap their states instead of running ahead."""
    body = {
        "machine": "swap",
        "scan": "10 ms",
        "inputs": {"clk": {}},
        "sequences": {
            "s": {"start": "a", "states": _follow("t")},
            "t": {"start": "b", "states": _follow("s")},
        },
    }
    machine = Machine.model_validate(body)
    found = [(state["s"], state["t"]) for state, _, _ in trace(backend, machine, [{"clk": False}] * 4)]
    assert found == [("b", "a"), ("a", "b"), ("b", "a"), ("a", "b")]


def _follow(other: str) -> dict[str, Any]:
    return {
        "a": {"exits": [{"when": f"{other}.b", "to": "b"}]},
        "b": {"exits": [{"when": f"{other}.a", "to": "a"}]},
    }


@every_backend()
def test_actions_read_the_memory_of_the_scans_start(backend: type[Backend]) -> None:
    """m takes over n's old value in the scan in which n counts on."""
    machine = sequence(
        {"a": {"exits": [{"when": "true", "to": "a", "do": {"n": "n + 1", "m": "n"}}]}},
        memory={"n": {"range": "0..9", "start": 0}, "m": {"range": "0..9", "start": 0}},
    )
    found = [(memory["n"], memory["m"]) for _, _, memory in trace(backend, machine, [{"clk": False}] * 3)]
    assert found == [(1, 0), (2, 1), (3, 2)]


@every_backend()
def test_a_guard_sees_the_outputs_of_the_last_scan(backend: type[Backend]) -> None:
    """As written by the last scan, interlocks included."""
    machine = sequence(
        {"a": {"on": ["q"], "exits": [{"when": "q", "to": "b"}]}, "b": {"end": True}},
        outputs={"q": {}},
        interlocks=[{"hold_off": "q", "unless": "clk"}],
    )
    assert states(backend, machine, bits("0 0 1 0 0")) == ["a", "a", "a", "b", "b"]


@every_backend()
def test_interlocks_read_demands_and_never_one_another(backend: type[Backend]) -> None:
    """Each of two opposed outputs is held off while the other is demanded: both stay off."""
    machine = sequence(
        {"a": {"on": ["q", "r"], "end": True}},
        outputs={"q": {}, "r": {}},
        interlocks=[{"hold_off": "q", "unless": "not r"}, {"hold_off": "r", "unless": "not q"}],
    )
    _, found, _ = next(iter(trace(backend, machine, [{"clk": False}])))
    assert found == {"q": False, "r": False}


@every_backend()
def test_a_counter_that_would_leave_its_bounds_keeps_its_value(backend: type[Backend]) -> None:
    """Item 7: no wrap, no clamp; the exit is taken all the same."""
    machine = sequence(
        {"a": {"exits": [{"when": "true", "to": "b", "do": {"n": "n + 2"}}]}, "b": {"end": True}},
        memory={"n": {"range": "0..1", "start": 1}},
    )
    running = backend(machine)
    running.scan({"clk": False})
    assert (running.states(), running.memory()) == ({"s": "b"}, {"n": 1})
    assert running.left_bounds() in (["n"], None)


@every_backend()
def test_a_loss_of_power_is_a_cold_start(backend: type[Backend]) -> None:
    """Item 10: no state active and outputs off, then start states, start values and no memory."""
    machine = sequence(
        {
            "a": {"exits": [{"when": "rising(clk)", "to": "b", "do": {"n": "n + 1"}}]},
            "b": {"on": ["q"], "end": True},
        },
        outputs={"q": {}},
        memory={"n": {"range": "0..3", "start": 1}},
    )
    running = backend(machine)
    running.scan({"clk": True})
    assert (running.states(), running.outputs(), running.memory()) == ({"s": "b"}, {"q": True}, {"n": 2})
    running.power_off()
    running.scan({"clk": True})
    assert (running.states(), running.outputs()) == ({"s": None}, {"q": False})
    running.power_on()
    assert (running.states(), running.outputs(), running.memory()) == ({"s": "a"}, {"q": False}, {"n": 1})
    running.scan({"clk": True})
    assert running.states() == {"s": "b"}, "a level true at power-on rises in the first scan"
