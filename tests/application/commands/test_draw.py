"""``stillgate draw``: which files it writes, and that it writes all or none."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import pytest

from stillgate.controller.errors import ProgramFault
from stillgate.diagrams.graphs.renderer import Renderer
from stillgate.reports.published_schemas import schema_of

from ..conftest import Command


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_picture_for_every_sequence_and_two_for_the_machine(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    done = stillgate("draw", starter, "--output", out)
    assert done.status == 0
    pictures = ("guard_lamp", "main", "signal-flow", "whole-machine")
    expected = [f"press.{name}.{kind}" for name in pictures for kind in ("png", "svg")]
    assert names(out) == expected
    assert all(str(out / name) in done.out for name in expected)


def test_one_picture_of_one_kind_on_request(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = stillgate(
        "draw", starter, "--output", out, "--only", "main", "--picture", "dot", "--format", "json"
    )
    jsonschema.Draft7Validator(schema_of("draw")).validate(json.loads(done.out))
    assert json.loads(done.out) == {
        "machine": "press",
        "renderer": "",
        "files": [str(out / "press.main.dot")],
    }
    assert (out / "press.main.dot").read_text().startswith("digraph")


def test_a_picture_that_fails_leaves_nothing_behind(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: Renderer, diagram: object, picture: object) -> bytes:
        raise ProgramFault("the drawing has 1 nodes where the machine has 2")

    monkeypatch.setattr(Renderer, "draw", fail)
    done = stillgate("draw", starter, "--output", tmp_path / "out")
    assert done.status == 3
    assert "where the machine has 2" in done.err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_made_is_a_plain_error(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    done = stillgate("draw", starter, "--output", tmp_path / "file" / "out", "--picture", "dot")
    assert done.status == 2
    assert "file" in done.err


BREAKING = (
    ("when: not stop_ok or not guard_shut, to", "when: not stop_ok, to"),
    ("hold_off: motor, unless: guard_shut", "hold_off: lamp, unless: guard_shut"),
)


def test_the_story_of_a_break_is_numbered_through_the_states_and_charted(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    text = starter.read_text()
    for old, new in BREAKING:
        text = text.replace(old, new)
    starter.write_text(text)
    out = tmp_path / "out"
    done = stillgate(
        "draw", starter, "--story", "guard_stops_motor", "--output", out, "--picture", "svg", "--only", "main"
    )
    assert done.status == 0, done.err
    assert names(out) == ["press.guard_stops_motor.chart.svg", "press.main.svg"]
    chart = (out / "press.guard_stops_motor.chart.svg").read_text()
    assert "controller: main stopped → running" in chart
    assert "broken at the thick line" in chart
    diagram = (out / "press.main.svg").read_text()
    assert "[step 1]" in diagram
    assert "here it ends" in diagram


def test_a_requirement_that_holds_has_no_story_to_draw(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    done = stillgate("draw", starter, "--story", "can_run", "--output", tmp_path / "out")
    assert done.status == 2
    assert "can_run has no story to draw; its verdict is 'holds'" in done.err
    wrong = stillgate("draw", starter, "--story", "fresh_strat")
    assert "did you mean 'fresh_start'?" in wrong.err
    both = stillgate("draw", starter, "--story", "fresh_start", "--never-reached")
    assert "choose one" in both.err
    assert not (tmp_path / "out").exists()


def test_time_in_states_and_a_chart_of_a_run(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    script = tmp_path / "shift.txt"
    script.write_text("2 s start on for 200 ms\n")
    out = tmp_path / "out"
    done = stillgate(
        "draw", starter, "--run", script, "--for", "4s", "--output", out, "--picture", "svg", "--only", "main"
    )
    assert done.status == 0, done.err
    assert names(out) == ["press.main.svg", "press.shift.chart.svg"]
    diagram = (out / "press.main.svg").read_text()
    shares = [int(share) for share in re.findall(r", (\d+) %<", diagram)]
    assert shares[0] == 4  # the example in the legend
    assert sum(shares[1:]) == 100
    assert ">never<" in diagram  # nothing stopped the motor


def test_what_is_never_reached_is_marked(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    text = starter.read_text().replace(
        "      stopping:\n", "      forgotten: {exits: [{after: 1 s, to: stopped}]}\n      stopping:\n"
    )
    starter.write_text(
        text.replace(
            "{after: 30 s, to: stopping, note: one batch}", "{after: 30 s, when: not stop_ok, to: stopping}"
        )
    )
    out = tmp_path / "out"
    done = stillgate(
        "draw", starter, "--never-reached", "--output", out, "--picture", "svg", "--only", "main"
    )
    assert done.status == 0, done.err
    diagram = (out / "press.main.svg").read_text()
    assert diagram.count(">never reached<") == 1
    assert "(never taken)" in diagram


def test_a_run_leaves_its_timing_chart_with_what_it_broke(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    text = starter.read_text()
    for old, new in BREAKING:
        text = text.replace(old, new)
    starter.write_text(text)
    chart = tmp_path / "run.svg"
    done = stillgate(
        "run", starter, "--for", "5s", "--at", "2 s start on for 200 ms", "--at", "3 s guard_shut off",
        "--output", chart,
    )  # fmt: skip
    assert done.status == 0, done.err
    drawn = chart.read_text()
    assert "guard_stops_motor: after not guard_shut, then not motor within 200 ms" in drawn
    assert "surroundings: guard_shut opens (actuated)" in drawn


def test_a_part_of_a_run_is_drawn_with_its_own_steps(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    chart = tmp_path / "part.svg"
    line = ("run", starter, "--for", "5s", "--at", "2 s start on for 200 ms", "--output", chart)
    done = stillgate(*line, "--chart-part", "2.1..3 s")
    assert done.status == 0, done.err
    drawn = chart.read_text()
    assert "step 1, 2.2 s: operator: start goes off" in drawn
    assert "start goes on" not in drawn


@pytest.mark.parametrize(
    ("part", "message"),
    [
        ("4..2 s", "the range runs backwards"),
        ("soon", "'soon' is not a time"),
        ("6..7 s", "begins at 6 s; the run ends at 5 s"),
    ],
)
def test_a_part_that_cannot_be_drawn_is_refused_and_nothing_is_written(
    stillgate: Command, starter: Path, tmp_path: Path, part: str, message: str
) -> None:
    files = ("--output", tmp_path / "part.svg", "--output", tmp_path / "run.scans.csv")
    done = stillgate("run", starter, "--for", "5s", *files, "--chart-part", part)
    assert done.status == 2
    assert message in done.err
    assert [path.name for path in tmp_path.iterdir()] == [starter.name]
    alone = stillgate("run", starter, "--chart-part", "2..3 s")
    assert "there is no chart to draw" in alone.err


def test_a_story_is_numbered_through_the_whole_machine(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    text = starter.read_text()
    for old, new in BREAKING:
        text = text.replace(old, new)
    starter.write_text(text)
    out = tmp_path / "out"
    done = stillgate(
        "draw", starter, "--story", "guard_stops_motor", "--output", out, "--only", "whole-machine"
    )
    assert done.status == 0, done.err
    drawn = (out / "press.whole-machine.svg").read_text()
    assert "[step 1]" in drawn
    assert drawn.count("here it ends") == 2  # main and guard_lamp
