"""Why an output was as it was at a moment of a log."""

from __future__ import annotations

import pytest

from stillgate.controller.errors import UsageError
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.replay import output_explanation as looking_back
from stillgate.interlocks.replay.output_explanation import why
from stillgate.sim_io.logs.change_capture import ChangeCapture
from stillgate.sim_io.logs.log import ALIVE, Change, Log, LogHeader, Subject, log_in_memory

SAW = """\
machine: saw
scan: 20 ms
inputs: {start: {from: operator}, guard: {contact: normally_closed}}
outputs: {motor: {hazard: cutting}}
hazards: {cutting: the blade turns}
sequences:
  main:
    start: off
    states:
      off: {exits: [{when: rising(start), to: running}]}
      running: {on: [motor], exits: [{after: 2 s, to: off}]}
interlocks: [{hold_off: motor, unless: guard, why: guard is shut}]
requirements: {guarded: {never: motor and not guard}}
"""
SCRIPT = {10: {"start": True}, 20: {"start": False}, 40: {"guard": False}, 70: {"guard": True}}


@pytest.fixture(scope="module")
def saw() -> Machine:
    return read_machine_text(SAW).machine


def live(machine: Machine, scans: int) -> tuple[Log, Executive]:
    """A log and the executive that made it."""
    executive = Executive(machine)
    executive.inputs["guard"] = True
    capture = ChangeCapture(executive)
    changes: list[Change] = []
    for scan in range(scans):
        executive.inputs.update(SCRIPT.get(scan, {}))
        executive.scan()
        changes += capture.look()
    changes.append(Change((scans - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    return log_in_memory(
        LogHeader(machine.machine, scan=machine.scan, signals=capture.signals), changes
    ), executive


@pytest.mark.parametrize("scan", [0, 9, 10, 39, 40, 55, 70, 108, 115])
def test_the_reason_is_the_one_the_running_controller_gave(saw: Machine, scan: int) -> None:
    log, _ = live(saw, 130)
    _, then = live(saw, scan + 1)
    assert why(log, saw, "motor", scan * 20).reason == then.why("motor")


def test_an_interlock_that_held_off_is_named_with_the_switch_and_since_when(saw: Machine) -> None:
    log, _ = live(saw, 130)
    found = why(log, saw, "motor", 1000)
    assert str(found.reason) == (
        "motor off: held off by interlock 1 (guard is shut), because guard was false for 200 ms"
    )
    assert found.states == (("main", "running"),)
    assert found.recorded == 0


def test_where_no_state_demands_an_output_the_ways_on_are_told(saw: Machine) -> None:
    log, _ = live(saw, 130)
    [way] = why(log, saw, "motor", 100).ways
    assert str(way).startswith("main: off, exit 1 to running: blocked because rising(start) is false")
    assert "start has been false for 100 ms" in str(way)
    assert why(log, saw, "motor", 1000).ways == ()  # running demands it


def in_mid_run(log: Log, first: int) -> Log:
    """The log from a scan on, with what was known then told at its begin."""
    known: dict[tuple[Subject, str], Change] = {}
    rest: list[Change] = []
    for change in log.changes():
        if change.time < first * 20:
            known[change.subject, change.name] = change
        else:
            rest.append(change)
    told = [Change(first * 20, item.subject, item.name, item.value) for item in known.values()]
    return log_in_memory(log.header, [*told, *rest])


def test_of_a_log_that_begins_in_mid_run_nothing_before_it_is_told(saw: Machine) -> None:
    """The guard has been open since before; how long is not known."""
    whole, _ = live(saw, 130)
    log = in_mid_run(whole, 45)
    found = why(log, saw, "motor", 1000)
    assert found.looked_back == 900
    [guard] = found.reason.permits[0].condition.grounds()
    assert (guard.text, guard.holds, guard.lasting) == ("guard", False, 100)
    with pytest.raises(UsageError, match="the log begins at 900 ms; say a later time"):
        why(log, saw, "motor", 880)


def test_a_long_log_is_looked_back_into_only_so_far_and_says_so(
    saw: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Truths and states are the same; what lasted longer than the look back lasts that long at least."""
    log, _ = live(saw, 130)
    whole = why(log, saw, "motor", 1000)
    monkeypatch.setattr(looking_back, "LOOK_BACK", 400)
    short = why(log, saw, "motor", 1000)
    assert short.looked_back == 600
    assert short.reason == whole.reason  # the guard opened at 800 ms, within the look back
    assert short.states == whole.states
    monkeypatch.setattr(looking_back, "LOOK_BACK", 100)
    shorter = why(log, saw, "motor", 1000)
    assert str(shorter.reason).endswith("guard was false for 100 ms")


@pytest.mark.parametrize(
    ("output", "at", "words"), [("motr", 0, "motor"), ("motor", 99_000, "the log ends at 2.58 s")]
)
def test_what_is_not_there_is_refused(saw: Machine, output: str, at: int, words: str) -> None:
    log, _ = live(saw, 130)
    with pytest.raises(UsageError, match=words):
        why(log, saw, output, at)
