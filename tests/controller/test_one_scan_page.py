"""The page on one scan tells the truth: each of its traces is run on the reference controller."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from backends import ExecutiveBackend, OracleBackend, trace
from stillgate.controller.machine_file.machine import Machine

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "one-scan.md"
TRACE = re.compile(r"```trace(?: debounce (?P<debounce>\d+ ms))?\n(?P<body>.*?)```", re.DOTALL)


def traces() -> list[tuple[str, str, str, str]]:
    """Expression, debounce, levels and result of every trace on the page."""
    found = []
    for match in TRACE.finditer(PAGE.read_text(encoding="utf-8")):
        first, *rows = match["body"].splitlines()
        marks = {row.split()[0]: " ".join(row.split()[1:]) for row in rows if row[:1].isalpha()}
        expression = re.sub(r"\), .*", ")", first)
        found.append((expression, match["debounce"] or "0 ms", marks["clk"], marks["result"]))
    return found


def test_the_page_has_traces() -> None:
    """Otherwise the test below could not fail."""
    assert len(traces()) >= 7


@pytest.mark.parametrize("backend", [ExecutiveBackend, OracleBackend])
@pytest.mark.parametrize(("expression", "debounce", "levels", "result"), traces())
def test_a_trace_on_the_page_is_what_the_controller_does(
    backend: type[ExecutiveBackend], expression: str, debounce: str, levels: str, result: str
) -> None:
    """At a scan of 10 ms, as the page says."""
    machine = Machine.model_validate(
        {
            "machine": "page",
            "scan": "10 ms",
            "inputs": {"clk": {"debounce": debounce}},
            "outputs": {"q": {}},
            "sequences": {"s": {"start": "on", "states": {"on": {"on": ["q"], "end": True}}}},
            "interlocks": [{"hold_off": "q", "unless": expression}],
        }
    )
    steps = [{"clk": level == "1"} for level in levels.split()]
    found = " ".join(str(int(outputs["q"])) for _, outputs, _ in trace(backend, machine, steps))
    assert found == result


@pytest.mark.parametrize(
    ("row", "body"),
    [
        ("a a b b a", {"overrides": [], "stop": "0 0 0 0 0", "back": True}),
        ("a a a a b", {"overrides": [{"when": "stop", "to": "a"}], "stop": "1 1 1 1 0", "back": False}),
    ],
)
def test_the_time_lines_of_exits_on_the_page_are_what_the_controller_does(
    row: str, body: dict[str, object]
) -> None:
    """The two drawings under 'Exits and their times'."""
    assert re.search(r"state +" + " +".join(row.split()), PAGE.read_text(encoding="utf-8"))
    b = {"exits": [{"after": "20 ms", "to": "a"}]} if body["back"] else {"end": True}
    machine = Machine.model_validate(
        {
            "machine": "page",
            "scan": "10 ms",
            "inputs": {"stop": {}},
            "sequences": {
                "s": {
                    "start": "a",
                    "overrides": body["overrides"],
                    "states": {"a": {"exits": [{"after": "20 ms", "to": "b"}]}, "b": b},
                }
            },
        }
    )
    steps = [{"stop": level == "1"} for level in str(body["stop"]).split()]
    found = [states["s"] for states, _, _ in trace(ExecutiveBackend, machine, steps)]
    assert found == row.split()
