"""What pytest prints of a property test that failed, read as users read it."""

from __future__ import annotations

import pytest

from stillgate.commands.new import starter_text

pytest_plugins = ["pytester"]

HEAD = """
from hypothesis import Phase, given, settings, strategies as st
from hypothesis.stateful import rule
from stillgate.testing import machine_rules

settings.register_profile("few", max_examples={runs}, deadline=None, derandomize=True, database=None)
settings.load_profile("few")
Base = machine_rules("press.machine.yaml", faults=0, requirements=["guard_stops_motor"])
"""
BROKEN = HEAD.format(runs=300) + "TestPress = Base.TestCase\n"
AS_FOUND = "{test}.settings = settings({test}.settings, phases=[Phase.generate])\n"
"""A failing run is not cut down, which takes most of the time."""
FOUND = BROKEN + AS_FOUND.format(test="TestPress")
OWN = (
    HEAD.format(runs=20)
    + """
class Own(Base):
    @rule()
    def press_start(self):
        self.change(start=True)
        self.wait(40)

    def every_scan(self):
        assert not self.circuits["start"], "somebody pressed it"

class Slip(Base):
    @rule()
    def press_what_is_not_there(self):
        self.change(strat=True)

TestOwn = Own.TestCase
TestSlip = Slip.TestCase

@given(st.integers())
def test_numbers(number):
    assert number < 5
"""
)
BOTH = (
    HEAD.format(runs=300)
    + """
class Both(Base):
    @rule()
    def another_mistake(self):
        assert self.states["main"] != "running", "mine"

TestBoth = Both.TestCase
"""
)
MACHINERY = ("stateful.py", "rules.py", "lowered_run.py", "core.py")


@pytest.fixture
def press(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A folder with a press whose guard was forgotten, as a file that is not collected."""
    text = starter_text("press")
    text = text.replace("unless: guard_shut", "unless: true").replace(" or not guard_shut, to", ", to")
    pytester.path.joinpath("press.machine.yaml").write_text(text, encoding="utf-8")
    monkeypatch.setenv("COLUMNS", "100")
    return pytester


@pytest.mark.parametrize(("text", "workers"), [(BROKEN, ()), (FOUND, ("-n", "1"))])
def test_a_broken_requirement_is_told_by_the_story_and_nothing_else(
    press: pytest.Pytester, text: str, workers: tuple[str, ...]
) -> None:
    press.makepyfile(test_press=text)
    said = press.runpytest_subprocess("-q", "test_press.py", *workers)
    said.assert_outcomes(failed=1)
    lines = said.stdout.str().splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith("guard_stops_motor is"))
    end = lines.index("  stillgate run found/press_guard_stops_motor.scenario.yaml")
    assert lines[start - 1].startswith(("____", "[gw0]"))
    assert lines[end + 1].startswith("====")
    assert any("surroundings: guard_shut opens (actuated)" in line for line in lines[start:end])
    assert not any(line.startswith("E  ") or ".py" in line for line in lines[start : end + 1])
    said.stdout.fnmatch_lines(["FAILED test_press.py::TestPress::runTest - guard_stops_motor is broken*"])


def test_the_full_trace_shows_what_the_story_leaves_out(press: pytest.Pytester) -> None:
    press.makepyfile(test_press=FOUND)
    said = press.runpytest_subprocess("-q", "--full-trace", "test_press.py").stdout.str()
    assert "stateful.py" in said
    assert "state = PressRules()" in said


def test_a_failure_of_ones_own_shows_ones_own_lines_and_no_machinery(press: pytest.Pytester) -> None:
    press.makepyfile(test_own=OWN)
    said = press.runpytest_subprocess("-q", "test_own.py")
    said.assert_outcomes(failed=3)
    said.stdout.fnmatch_lines(
        [
            '>       assert not self.circuits["start"], "somebody pressed it"',
            "E *operator: start goes on*",
            "test_own.py:*: AssertionError",
            ">       self.change(strat=True)",
            "E *strat is no input and cannot be set; set one of start, *",
            "test_own.py:*: UsageError",
            ">   def test_numbers(number):",  # what is no run of a machine is shown as ever
        ]
    )
    assert not [name for name in MACHINERY if name in said.stdout.str()]


def test_of_several_failures_each_is_told_in_its_own_way(press: pytest.Pytester) -> None:
    press.makepyfile(test_both=BOTH)
    said = press.runpytest_subprocess("-q", "test_both.py")
    said.assert_outcomes(failed=1)
    text = said.stdout.str()
    assert "Hypothesis found 2 distinct failures." in text
    assert "\nguard_stops_motor is broken" in text
    assert '\n>       assert self.states["main"] != "running", "mine"' in text
    assert not [name for name in MACHINERY if name in text]
