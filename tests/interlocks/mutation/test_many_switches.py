"""What is done before the first search of a machine's weakenings does not outgrow the machine.

The time of Python alone: no compiler, no search, so nothing that a deadline could end.
"""

from __future__ import annotations

import time
from pathlib import Path

from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.exploration.emit_checker import checker_source
from stillgate.interlocks.exploration.parametric_checker import with_allowances
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.mutation.mutant_equivalence import probing
from stillgate.interlocks.mutation.mutants import switched_controller, weakenings_of

SIXTY_INPUTS = Path(__file__).parents[2] / "machines" / "false_verdicts" / "sixty_inputs_xor.yaml"


def test_a_probe_with_sixty_inputs_and_a_switch_for_each_atom_is_written_in_seconds() -> None:
    document = read_machine(SIXTY_INPUTS)
    machine = document.machine.model_copy(update={"requirements": {}})
    began = time.process_time()
    program, marks = probing(switched_controller(weakenings_of(document).switched, machine.scan))
    loop = with_allowances(
        close_loop(machine, tick=machine.scan, faults=1, possibility=False, controller=program)
    )
    emit_controller(program)
    checker_source(loop)
    taken = time.process_time() - began
    assert len(marks) >= 120
    assert taken < 8, f"{taken:.1f} s of processor"  # 1 s; 25 s where each input walks the program again
