"""Ctrl-C and SIGTERM at any moment of any command: it ends soon, with its status, and leaves nothing.

The status is 128 and the number of the signal, as POSIX shells have it (IEEE Std 1003.1, 2.8.2).
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from interrupting import LOADED, STATUS, Bench, Ended

MACHINES = Path(__file__).parents[2] / "machines"
PRESS = MACHINES / "press_two_hand.yaml"
CERTIFICATE = "made_before.json"

COMMANDS: dict[str, tuple[object, ...]] = {
    "check": ("check", PRESS, "--no-cache", "--format", "json", "--faults", "1", "--overlaps"),
    "report": ("report", PRESS, "--no-cache", "--output", "page.html"),
    "fault-table": ("fault-table", PRESS, "--pairs", "--format", "json"),
    "layers": ("layers", PRESS, "--format", "json"),
    "strength": ("strength", PRESS, "--format", "json"),
    "compare": ("compare", PRESS, MACHINES / "broken" / "press_one_valve.yaml", "--format", "json"),
    "confirm": ("confirm", PRESS, "--format", "json"),
    "certificate": ("certificate", PRESS, "--output", "press.json"),
    "certificate by invariant": ("certificate", PRESS, "--by", "invariant", "--output", "press.json"),
    "soak": ("soak", PRESS, "--hours", "2000", "--format", "json"),
    "run": ("run", PRESS, "--for", "20 min", "--format", "json"),
    "watch": ("watch", PRESS),
    "diagnose": ("diagnose", MACHINES / "lavender_harvester.yaml", MACHINES / "field_logs" / "friday.log"),
    "replay": ("replay", MACHINES / "lavender_harvester.yaml", MACHINES / "field_logs" / "friday.log"),
    "recheck": ("recheck", CERTIFICATE, PRESS, "--format", "json"),
    "recheck of an invariant": ("recheck", CERTIFICATE, PRESS, "--format", "json"),
    "draw": ("draw", PRESS),
}

MAKING: dict[str, tuple[object, ...]] = {
    "recheck": ("certificate", PRESS, "--output", CERTIFICATE),
    "recheck of an invariant": ("certificate", PRESS, "--by", "invariant", "--output", CERTIFICATE),
}
"""Commands that make what others read, run once and not interrupted."""

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")


@pytest.fixture(scope="module", autouse=True)
def built_quickly() -> None:
    """Not here: compilers are met as users have them."""


def assert_ended_well(ended: Ended, number: signal.Signals) -> None:
    """In time, with the status of the signal, and nothing left behind."""
    if ended.signalled:
        at_its_end = ended.seconds < 1 and ended.status in (0, 1, 4)  # all was said when the signal came
        assert ended.status == STATUS[number] or at_its_end, ended
        assert ended.seconds < 2 + LOADED, ended
    for word in ("Traceback", "Exception ignored", "a fault of the program"):
        assert word not in ended.said, ended
    assert ended.left == (), ended


def assert_written_whole(folder: Path) -> None:
    for page in folder.glob("*.html"):
        assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")


def interrupted_often(name: str, times: int, tmp_path: Path, longest: float) -> None:
    """Interrupts a command up to ``longest`` seconds after its start, or up to its own end if sooner.

    Most moments lie in the first seconds, where reading, lowering and compilers are met.
    """
    chance = random.Random(f"{name} {times}")
    if name in MAKING:
        assert Bench(tmp_path, tmp_path / "cache0").run(*MAKING[name]).status == 0
    met = number = 0
    while number < times or (met < times // 2 and number < times + 8):  # a quick command may have ended first
        number += 1
        kind = (signal.SIGINT, signal.SIGTERM)[number % 2]
        bench = Bench(tmp_path, tmp_path / f"cache{chance.randrange(2)}")
        if chance.random() < 0.3:  # compilers are met, too
            shutil.rmtree(bench.cache, ignore_errors=True)
        last = longest if chance.random() < 0.15 else min(longest, 5.0)
        after = chance.random() ** 2 * last
        ended = bench.run(*COMMANDS[name], number=kind, after=after)
        print(f"{name}: {kind.name} after {after:.2f} s, status {ended.status}, {ended.seconds:.2f} s")
        assert_ended_well(ended, kind)
        assert_written_whole(tmp_path)
        met += ended.signalled
        if not ended.signalled:  # it had come to its end: most moments are to lie before that
            longest = max(0.5, min(longest, after) * 0.9)
    print(f"{name}: {met} of {times} signals came before its end")
    assert met >= times // 2


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_that_is_interrupted_ends_in_time_and_leaves_nothing(name: str, tmp_path: Path) -> None:
    interrupted_often(name, 2, tmp_path, 3)


@pytest.mark.night
@pytest.mark.parametrize("name", COMMANDS)
def test_a_hundred_interrupts_of_each_command_at_random_moments(name: str, tmp_path: Path) -> None:
    interrupted_often(name, 100, tmp_path, 30)


AT_ONCE = """
import os, sys
from stillgate import cli
from stillgate.console import interrupts
start = interrupts.Thread.start
def signalled(thread):
    os.kill(os.getpid(), int(sys.argv[1]))
    start(thread)
interrupts.Thread.start = signalled
cli.main(["--version"])
"""
"""A signal that comes while handlers are being installed."""


@pytest.mark.parametrize("number", STATUS)
def test_a_signal_that_comes_while_a_command_begins_ends_it_with_its_status(number: signal.Signals) -> None:
    """On a busy computer that moment is long: it was met once in a hundred interrupts."""
    command = [sys.executable, "-P", "-c", AT_ONCE, str(int(number))]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == STATUS[number], done
    assert "Traceback" not in done.stderr


INTERRUPTED_LATE = {
    "an import makes another error of it": """
from stillgate import cli
def command(arguments):
    try:
        os.kill(os.getpid(), number)
        time.sleep(10)
    except KeyboardInterrupt as interrupt:
        raise RuntimeError("Error calling __set_name__") from interrupt
cli._dispatch = command
""",
    "what it left half made is taken down": """
from stillgate import cli
class Half:
    def __init__(self):
        os.kill(os.getpid(), number)
        time.sleep(10)
        self.whole = True
    def __del__(self):
        assert self.whole
cli._dispatch = lambda arguments: Half()
""",
    "a folder was just made": """
import tempfile
from stillgate import cli
from stillgate.controller import kept_files
make = tempfile.mkdtemp
def mkdtemp(*given, **named):
    made = make(*given, **named)
    os.kill(os.getpid(), number)
    time.sleep(10)
    return made
tempfile.mkdtemp = mkdtemp
cli._dispatch = lambda arguments: kept_files.work_folder()
""",
    "compilers are about to start": """
from concurrent.futures import ThreadPoolExecutor
from stillgate import cli
from stillgate.controller.effort import Effort
from stillgate.interlocks.exploration.search import built
enter = ThreadPoolExecutor.submit
def submit(*given):
    os.kill(os.getpid(), number)
    time.sleep(10)
ThreadPoolExecutor.submit = submit
def command(arguments):
    with built([lambda effort: None], Effort()):
        return 0
cli._dispatch = command
""",
}
"""Moments that random ones met once in hundreds."""


@pytest.mark.parametrize("number", STATUS)
@pytest.mark.parametrize("moment", INTERRUPTED_LATE)
def test_a_signal_in_a_bad_moment_ends_a_command_with_its_status(
    moment: str, number: signal.Signals, tmp_path: Path
) -> None:
    code = f"import os, sys, time\nnumber = {int(number)}{INTERRUPTED_LATE[moment]}cli.main(['check'])"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env=os.environ | {"STILLGATE_CACHE": str(tmp_path)},
    )
    assert done.returncode == STATUS[number], done
    assert done.stderr in ("", "stillgate: interrupted\n")
    assert [path for path in tmp_path.rglob("*") if path.is_dir() and path.parent != tmp_path] == []


def no_better(found: dict[str, object], whole: dict[str, object]) -> None:
    """What an interrupted check says of a requirement is what the whole one says, or nothing."""
    for one, other in zip(found["requirements"], whole["requirements"], strict=True):  # type: ignore[call-overload]
        assert one["verdict"] in (other["verdict"], "undecided"), one["name"]
        for item in one["judgements"]:
            said = [judged["verdict"] for judged in other["judgements"] if judged["faults"] == item["faults"]]
            assert item["verdict"] in (*said, "undecided"), one["name"]


@pytest.mark.parametrize("times", [3, pytest.param(40, marks=pytest.mark.night)])
@pytest.mark.parametrize("machine", ["press_one_contact", "press_plain_and"])
def test_an_interrupt_makes_no_verdict_better(
    machine: str, times: int, tmp_path: Path, unoptimised: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the checker in the cache, so that the moments fall into search and stories."""
    if unoptimised is not None:
        monkeypatch.setenv("CC", unoptimised)
    bench = Bench(tmp_path, tmp_path / "cache")
    check = ("check", MACHINES / "broken" / f"{machine}.yaml", "--no-cache", "--format", "json")
    whole = bench.run(*check)
    assert whole.status == 1
    document = whole.document()
    chance, told = random.Random(machine), 0
    for number in range(times):
        kind = (signal.SIGINT, signal.SIGTERM)[number % 2]
        ended = bench.run(*check, number=kind, after=chance.random() * whole.seconds)
        assert_ended_well(ended, kind)
        found = ended.document()
        if found is not None and document is not None:
            told += 1
            no_better(found, document)
    print(f"{told} of {times} interrupted checks printed what they had found")
