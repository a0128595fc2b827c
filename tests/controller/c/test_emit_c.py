"""The C that is deployed: it compiles without a warning, and the same bytes serve any period."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from backends import COMPILERS, HAS_COMPILER
from machines_strategy import machine_dicts, machines, runs, sample
from oracle import Oracle
from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.c.native import NativeController
from stillgate.controller.machine_file.machine import Level, Machine
from stillgate.controller.machine_file.named_conditions import meanings_in_controller
from stillgate.controller.program.lowering import lower_controller

with_every_compiler = pytest.mark.parametrize("compiler", COMPILERS)
needs_compiler = pytest.mark.skipif(not HAS_COMPILER, reason="no C compiler and no ziglang")
SLOW = list(HealthCheck)
NO_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)  # every attempt would call the compiler
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror")
SAID_IN_THE_FILE = (
    "-Wno-tautological-compare",
)  # random files compare names with themselves; people are told


@with_every_compiler
@settings(max_examples=20, deadline=None, suppress_health_check=SLOW, phases=NO_SHRINKING)
@given(machine=machines())
def test_the_c_compiles_without_a_warning(
    machine: Machine, compiler: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """As C99, with every warning an error; names that are C keywords included."""
    folder = tmp_path_factory.mktemp("c")
    compile_strictly(machine, compiler, folder)


def compile_strictly(machine: Machine, compiler: str, folder: Path) -> None:
    """Fails with the compiler's words."""
    source, header = emit_controller(lower_controller(machine))
    (folder / "controller.c").write_text(source, encoding="utf-8")
    (folder / "controller.h").write_text(header, encoding="utf-8")
    command = [*COMPILERS[compiler], *STRICT, *SAID_IN_THE_FILE, "-c", "controller.c"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_header_says_how_it_is_called() -> None:
    """Who writes the firmware has the two files only: when to call what, and what it leaves alone."""
    states = {"x": {"exits": [{"after": "1 s", "to": "x"}]}}
    machine = {"machine": "m", "scan": "10 ms", "sequences": {"s": {"start": "x", "states": states}}}
    _, header = emit_controller(lower_controller(Machine.model_validate(machine)))
    for said in ("once every SG_PERIOD_MS", "after every reset or loss", "hold all of them off until"):
        assert said in header


@pytest.mark.parametrize("machine", [{"inputs": {}}, {"outputs": {}}, {"inputs": {"int": {}}}])
@with_every_compiler
def test_a_machine_without_inputs_or_outputs_compiles_too(
    machine: dict[str, Any], compiler: str, tmp_path: Path
) -> None:
    """C99 knows no empty struct."""
    states = {"x": {"exits": [{"after": "1 s", "to": "x"}]}}
    body = {"machine": "m", "scan": "10 ms", "sequences": {"s": {"start": "x", "states": states}}}
    compile_strictly(Machine.model_validate(body | machine), compiler, tmp_path)


@with_every_compiler
def test_the_longest_time_does_not_overflow(compiler: str, tmp_path: Path) -> None:
    """Rounding up once added a period to 2147483647 ms first."""
    states = {"x": {"exits": [{"after": "2147483647 ms", "when": "held(a, 2147483647 ms)", "to": "x"}]}}
    machine = Machine.model_validate(
        {
            "machine": "m",
            "scan": "20 ms",
            "inputs": {"a": {}},
            "sequences": {"s": {"start": "x", "states": states}},
        }
    )
    compile_strictly(machine, compiler, tmp_path)


@with_every_compiler
def test_a_pin_may_be_any_bit_of_its_port(compiler: str, tmp_path: Path) -> None:
    """What is not 0 is high: a port masked with its bit is a level that lasts, to a debounce too."""
    states = {
        "x": {"exits": [{"when": "a", "to": "z"}]},
        "z": {"on": ["y"], "exits": [{"when": "not a", "to": "x"}]},
    }
    machine = {
        "machine": "m",
        "scan": "10 ms",
        "inputs": {"a": {"debounce": "20 ms"}},
        "outputs": {"y": {}},
        "sequences": {"s": {"start": "x", "states": states}},
    }
    source, header = emit_controller(lower_controller(Machine.model_validate(machine)))
    (tmp_path / "controller.c").write_text(source, encoding="utf-8")
    (tmp_path / "controller.h").write_text(header, encoding="utf-8")
    (tmp_path / "main.c").write_text(
        """#include "controller.h"
        int main(void)
        {
            m__state s;
            m__inputs in = {64};
            m__outputs out = {0};
            int scan;
            m__power_on(&s);
            for (scan = 0; scan < 20; scan++) {
                m__scan(&s, &in, &out);
                if (s.a__level > 1 || out.y__pin != (scan > 1)) return scan + 1;
            }
            return 0;
        }
""",
        encoding="utf-8",
    )
    command = [*COMPILERS[compiler], *STRICT, "main.c", "controller.c", "-o", "board"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert subprocess.run([tmp_path / "board"], check=False).returncode == 0


CROSS = {
    "Cortex-M4": ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m4"),
    "aarch64": ("-target", "aarch64-linux-musl"),
}


@pytest.mark.skipif(find_spec("ziglang") is None, reason="ziglang is not installed")
@pytest.mark.parametrize("target", CROSS)
def test_the_c_compiles_for_the_processors_of_machines(target: str, tmp_path: Path) -> None:
    """Without a libc on the one, with one on the other; warnings are errors."""
    for machine in sample(machine_dicts(), 6)[-3:]:
        source, header = emit_controller(lower_controller(Machine.model_validate(machine)))
        (tmp_path / "controller.c").write_text(source, encoding="utf-8")
        (tmp_path / "controller.h").write_text(header, encoding="utf-8")
        command = [sys.executable, "-m", "ziglang", "cc", *CROSS[target], *STRICT, "-c", "controller.c"]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_only_stdint_is_included_and_the_text_is_the_same_every_time() -> None:
    """No libc, no clock time, no address; the digest of the file instead."""
    states = {"x": {"exits": [{"after": "1 s", "to": "x"}]}}
    machine = Machine.model_validate(
        {"machine": "m", "scan": "10 ms", "sequences": {"s": {"start": "x", "states": states}}}
    )
    texts = [emit_controller(lower_controller(machine), "ab12") for _ in range(2)]
    assert texts[0] == texts[1]
    lines = [line for text in texts[0] for line in text.splitlines() if line.startswith("#include")]
    assert sorted(set(lines)) == ['#include "controller.h"', "#include <stdint.h>"]
    assert all("ab12" in text for text in texts[0])


@needs_compiler
@settings(max_examples=20, deadline=None, suppress_health_check=SLOW, phases=NO_SHRINKING)
@given(data=st.data())
def test_the_same_source_at_another_period_is_the_machine_scanned_at_that_period(data: Any) -> None:
    """What was explored at the check's tick is what runs at the scan: one text, one constant."""
    machine = data.draw(machines())
    period = data.draw(st.sampled_from((10, 20, 30, 100)))
    native = NativeController(lower_controller(machine), period=period)
    oracle = Oracle(machine.model_copy(update={"scan": period}))
    for pins in data.draw(runs(machine, 40)):
        if isinstance(pins, str):
            continue
        levels = native.scan(pins)
        oracle.scan(pins)
        low = {name for name, item in machine.outputs.items() if item.active is Level.LOW}
        assert levels == {name: on ^ (name in low) for name, on in oracle.outputs.items()}
        for sequence in native.program.sequences:
            assert sequence.states[native.value(sequence.active)] == oracle.states[sequence.name]
        for cell, name in native.program.memory.items():
            assert native.value(cell) == oracle.memory[name]


def test_named_conditions_are_told_in_a_comment_and_change_no_code() -> None:
    machine = Machine.model_validate({
        "machine": "m", "scan": "20 ms", "inputs": {"a": {}, "b": {}}, "outputs": {"y": {}},
        "conditions": {"clear": "a and not b", "long": " or ".join(["a and b"] * 30), "spare": "a"},
        "sequences": {"s": {"start": "x", "states": {"x": {"on": ["y"], "exits": [
            {"to": "x", "when": "clear"}, {"to": "x", "when": "long"}]}}}},
    })  # fmt: skip
    program = lower_controller(machine)
    plain, header = emit_controller(program)
    source, same = emit_controller(program, "", meanings_in_controller(machine))
    assert same == header
    before, comment, after = source.partition("/* Named conditions of the machine file")
    comment, _, code = (comment + after).partition("*/\n\n")
    assert before + code == plain
    assert "   clear: a and not b\n" in comment
    assert "spare" not in comment
    assert max(map(len, comment.splitlines())) <= 110
