"""Charts of runs that are disturbed: the controller's reasons are found from what reached its terminals."""

from __future__ import annotations

import pytest

from stillgate.diagrams.charts.chart import chart_of
from stillgate.interlocks.results.recording import recording_of_frames
from stillgate.sim_io.simulation.script import parse_script, play
from stillgate.sim_io.simulation.simulation import Simulation

from .gate import gate


@pytest.mark.parametrize(
    "disturbance",
    [
        "0 s open_button bounces 40 ms",
        "0 s open_button picks up 40 ms late",
        "0 s gate_open drops out 60 ms late",
        "0 s gate_open intermittent 1 s",
        "4 s gate_open stuck off",
        "2 s motor_open stuck off",
        "3 s power dip 200 ms",
        "0 s motor_open slow 300 ms",
        "0 s scan overrun 60 ms",
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_every_change_of_a_disturbed_run_has_its_reason(disturbance: str, seed: int) -> None:
    machine = gate()
    events = parse_script(
        [disturbance, "0.5 s open_button on for 300 ms", "9 s open_button on for 200 ms"], machine
    )
    recording = recording_of_frames(machine, list(play(Simulation(machine, seed=seed), events, 12_000)))
    chart = chart_of(recording, name="run", title="disturbed")
    said = [change for step in chart.steps for change in step.changes]
    assert any(text.startswith("controller: gate resting → opening") for text in said)
    states = [text for text in said if text.startswith("controller: gate ")]
    assert all("(" in text for text in states)
    if "power" not in disturbance:
        assert any(text.startswith("fault: ") for text in said)
