"""The demo machine with other times and counts: what it costs must hardly depend on them."""

from __future__ import annotations

import re
from pathlib import Path

MACHINES = Path(__file__).parent / "machines"

DEMO = MACHINES / "lavender_harvester.yaml"
"""The demo as it was when its times were short: the same file, whatever becomes of the demo."""

REAL = MACHINES / "lavender_harvester_real_times.yaml"
"""The same with all times ten times as long, 24 bunches a rail and 10 rails, checked at its scan."""

_TIME = re.compile(r"(?<![\w.])(?P<low>\d+(?:\.\d+)?)(?:\.\.(?P<high>\d+(?:\.\d+)?))? ?(?P<unit>ms|s)\b")


def scaled(text: str, *, times: int = 1, bunches: int = 2, rails: int = 2, scan: int = 20) -> str:
    """Text of the demo with its times multiplied, other counts, and its own scan as the tick.

    Args:
        scan: in ms.
    """
    lines: list[str] = []
    for line in text.splitlines():
        code, mark, comment = line.partition("#")
        if re.match(r"\s*tick:", code):
            continue
        if code.startswith("scan:"):
            code = f"scan: {scan} ms"
        else:
            code = _TIME.sub(lambda found: _longer(found, times), code)
        code = code.replace("bunches: {range: 0..2,", f"bunches: {{range: 0..{bunches},")
        code = code.replace("rails:   {range: 0..1,", f"rails:   {{range: 0..{rails - 1},")
        code = re.sub(r"\bbunches (=|<) 2\b", rf"bunches \1 {bunches}", code)
        code = re.sub(r"\brails (=|<) 1\b", rf"rails \1 {rails - 1}", code)
        code = code.replace("do: {rails: 1}", "do: {rails: rails + 1}")
        code = code.replace("harvest.frame_full and rails = 0", f"harvest.frame_full and rails < {rails - 1}")
        code = code.replace("and bunches = 1", f"and bunches = {bunches - 1}")
        lines.append(code + mark + comment)
    return "\n".join(lines) + "\n"


def _longer(found: re.Match[str], times: int) -> str:
    values = [value for value in (found["low"], found["high"]) if value is not None]
    return "..".join(f"{float(value) * times:g}" for value in values) + f" {found['unit']}"
