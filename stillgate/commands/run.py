"""``stillgate run``: simulates a short input script with the physical parts and prints the trace."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..terminal import output_console, write_line
from .options import Format, MachineFile, duration_option, load_machine

if TYPE_CHECKING:
    from stillgate.controller.machine import Machine
    from stillgate.sim_io.script import Event

LARGEST_SCRIPT = 2**20
INTERRUPTED = 130


def run(
    machine: MachineFile,
    /,
    *,
    duration: Annotated[str, Parameter(name="--for")] = "10 s",
    at: Annotated[list[str] | None, Parameter(negative="")] = None,
    script: Path | None = None,
    seed: int = 0,
    csv: Path | None = None,
    trace: Path | None = None,
    record: Path | None = None,
    form: Format = "text",
) -> int:
    """Simulate a machine under an input script and print what changed.

    The controller scans at its real period; the physical parts move as the
    file describes them. What they leave open is drawn from the seed, so the
    same seed gives the same run. One run shows one way things can go; only
    check looks at all of them.

      stillgate run press.yaml --for 20s --at '3.2 s start on for 200 ms'

    Parameters
    ----------
    duration
        How long to simulate.
    at
        An event, such as '3.2 s start on', '3 s start on for 200 ms',
        '5 s valve stuck on', '8 s power off'; may be repeated.
    script
        File with one event a line; # begins a remark.
    seed
        Number that decides what the parts leave open.
    csv
        File to write every scan to, as comma-separated values.
    trace
        File to write every change to, as .csv, .parquet or .vcd (waveforms).
    record
        Log to write as the recorder of a real controller does; goes on with one that is there.
    form
        Text for a person, json for a program (stillgate schema --of run).
    """
    from stillgate.sim_io.script import play
    from stillgate.sim_io.simulation import Simulation

    from ..reports.trace import trace_csv, trace_document, write_trace
    from ..run_files import RunFiles

    model = load_machine(machine)
    events = read_events(model, at or [], script)
    simulation = Simulation(model, seed=seed)
    frames, status = [], 0
    with RunFiles(simulation, machine, trace=trace, record=record) as files:
        try:
            for frame in play(simulation, events, duration_option("--for", duration) or 0):
                files.take(frame)
                frames.append(frame)
        except KeyboardInterrupt:
            if not frames:
                raise
            status = INTERRUPTED
    if csv is not None:
        from ..files import write_whole

        write_whole(csv, trace_csv(frames).encode())
    if form == "json":
        write_line(json.dumps(trace_document(model, seed, frames), indent=2))
    else:
        write_trace(output_console(), model, seed, frames)
    return status


def read_events(machine: Machine, at: list[str], script: Path | None) -> tuple[Event, ...]:
    """Events of the command line and of a script file together.

    Raises:
        UsageError: for an event that cannot be read, or a file that is no text.
    """
    from stillgate.controller.errors import UsageError
    from stillgate.sim_io.script import parse_script

    events = parse_script(at, machine)
    if script is not None:
        try:
            content = script.open("rb").read(LARGEST_SCRIPT + 1)
            text = content.decode()
        except UnicodeDecodeError:
            raise UsageError(f"{script}: this is not a text in UTF-8") from None
        if len(content) > LARGEST_SCRIPT:
            raise UsageError(f"{script}: a script has at most 1 MiB")
        events += parse_script(text.splitlines(), machine, str(script))
    return tuple(sorted(events, key=lambda event: event.time))
