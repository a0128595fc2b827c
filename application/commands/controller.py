"""``stillgate controller``: the C that goes on the processor, the very text that a check explores."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

from ..console.terminal import write_line
from ..files.whole_files import refuse_bad_folder, write_whole
from .options import OUTPUT, MachineFile, load_document

SOURCE, HEADER = "controller.c", "controller.h"


def controller(machine: MachineFile, /, *, output: Annotated[Path, OUTPUT] = Path("firmware")) -> int:
    """Write controller.c and controller.h, to be compiled into the firmware.

    C99 with <stdint.h> only: nothing is allocated, no library is called. The
    header says when to call what. It is the text that a check explores and
    a simulation runs, so do not edit it: change the machine file and write
    it again. Nothing is checked here: that is what stillgate check does.

    Files of those names are replaced only if they were written by this
    command.

    Exit status: 0 written, 2 the file or the command line is at fault.

    Parameters
    ----------
    output
        Folder for the two files; made if it is not there.
    """
    from stillgate.controller.c.emit_c import emit_controller
    from stillgate.controller.expressions.durations import format_duration
    from stillgate.controller.machine_file.named_conditions import meanings_in_controller
    from stillgate.controller.program.lowering import lower_controller

    document = load_document(machine)
    refuse_bad_folder("--output", output)
    targets = (output / SOURCE, output / HEADER)
    for target in targets:
        _refuse_what_is_not_ours(target)
    program = lower_controller(document.machine)
    texts = emit_controller(program, document.digest, meanings_in_controller(document.machine))
    output.mkdir(parents=True, exist_ok=True)
    for target, text in zip(targets, texts, strict=True):
        write_whole(target, text.encode())
        write_line(str(target))
    name, scan = document.machine.machine, format_duration(document.machine.scan)
    write_line(f"{name}__scan is to be called every {scan}; the header says what else")
    write_line(f"nothing was checked: stillgate check {shlex.quote(str(machine))}")
    return 0


def _refuse_what_is_not_ours(target: Path) -> None:
    """Refuses to write over a file that somebody wrote by hand.

    Raises:
        UsageError: if there is such a file, or a folder of that name.
    """
    from stillgate.controller.c.emit_c import GENERATED
    from stillgate.controller.errors import UsageError
    from stillgate.controller.plain_files import is_endless

    if target.is_dir():
        raise UsageError(f"--output: '{target}' is a folder; give another one")
    if is_endless(target):
        raise UsageError(f"--output: '{target}' is a device or a pipe; give another folder")
    if target.exists() and GENERATED not in target.read_bytes()[:400].decode("utf-8", "replace"):
        raise UsageError(
            f"--output: '{target}' is there already, was not written by this command, and was left as it is;"
            " give another folder"
        )
