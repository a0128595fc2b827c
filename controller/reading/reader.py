"""Reads a machine file: bytes to a ``Machine``, or to every independent problem at once.

::

    bytes ── size, UTF-8 ──► text ── source ──► nodes with places ──► plain data
        ── models (shape, expressions, times) ──► Machine ── rules (names, kinds) ──► document

A problem in an early stage does not hide those of a later one where the later one can still
be judged: what the models refuse is taken out and the rules are tried on the rest. Only a
text that is no YAML at all ends the reading.
"""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from itertools import islice
from pathlib import Path
from typing import Any, NoReturn

from pydantic import ValidationError

from ..effort import Effort, OutOfTime
from ..errors import CapReached, MachineFileError, Problem, Severity, render_problem
from ..machine_file.machine import Machine
from ..rules.findings import RuleFinding
from ..rules.rules import findings
from .messages import Refusal, refusal_of
from .positions import Positions
from .recovery import recover
from .source import (
    LARGEST_FILE,
    MOST_PROBLEMS,
    Mapping,
    Scalar,
    Source,
    SourceError,
    Text,
    data_of,
    read_source,
)
from .unquoted_names import truth_like_names

MOST_LOOKED_AT = 400
"""Errors explained before the first hundred by position are shown."""


@dataclass(frozen=True)
class MachineDocument:
    """A machine with the file it came from.

    Attributes:
        machine: the machine; ``dataclasses.replace`` gives a document of a changed one.
        path: the file.
        source: its bytes.
        positions: where everything stands in it.
        warnings: sorted by position.
        original: the machine that the bytes say.
    """

    machine: Machine
    path: Path
    source: bytes = field(repr=False)
    positions: Positions = field(repr=False)
    warnings: tuple[Problem, ...] = ()
    original: Machine | None = field(default=None, repr=False, compare=False)

    @property
    def digest(self) -> str:
        """SHA-256 of the file's bytes, in hexadecimal: names the file in whatever was made from it."""
        return hashlib.sha256(self.source).hexdigest()

    @property
    def as_read(self) -> bool:
        """Whether the machine is the one that the file says, and not one changed after reading."""
        return self.machine is self.original

    def place(self, path: Sequence[str | int]) -> tuple[int, int]:
        """Line and column, from 1, of the key or list item at a path such as
        ``("requirements", "edge_stops_it")``; of the nearest section around it if it is not there.
        """
        return self.positions.place(path)

    def render(self, problem: Problem) -> str:
        """``file:line:column: what``, the line with a caret, and the hint."""
        return render_problem(str(self.path), problem, self.positions.text.lines())


def read_machine(path: str | Path, effort: Effort | None = None) -> MachineDocument:
    """Reads a machine file.

    Raises:
        MachineFileError: with every independent problem, or the reason why the file cannot be
            opened.
        CapReached: if the effort is over before the file is read.
    """
    path = Path(path)
    return read_machine_bytes(bytes_of(path), str(path), effort)


def read_machine_text(text: str, name: str = "machine.yaml") -> MachineDocument:
    """Reads a machine from text; ``name`` stands for the file in messages.

    Raises:
        MachineFileError: with every independent problem.
    """
    return read_machine_bytes(text.encode("utf-8", "surrogatepass"), name)


def read_machine_bytes(content: bytes, name: str, effort: Effort | None = None) -> MachineDocument:
    """Reads a machine from the bytes of a file.

    Raises:
        MachineFileError: with every independent problem.
        CapReached: if the effort is over before the file is read.
    """
    if len(content) > LARGEST_FILE:
        _refuse_whole(name, _too_large(len(content)))
    try:
        source, positions = nodes_of(content, name, effort)
    except OutOfTime:
        raise CapReached(
            f"{name}: the time was over before the file was read; nothing is known of it"
        ) from None
    machine, problems = _judge(source, positions)
    errors = [problem for problem in problems if problem.severity is Severity.ERROR]
    if machine is None or errors:  # warnings wait: a misspelt name makes the right one unused
        raise MachineFileError(name, at_most(errors), positions.text.lines())
    warnings = tuple(at_most(problems))
    return MachineDocument(machine, Path(name), content, positions, warnings, original=machine)


def nodes_of(content: bytes, name: str, effort: Effort | None = None) -> tuple[Source, Positions]:
    """The YAML nodes of a file's bytes, with their places.

    Raises:
        MachineFileError: if they are no YAML.
        OutOfTime: if the effort is over before that.
    """
    text = Text(_decoded(content, name))
    try:
        source = read_source(text.text, None if effort is None else effort.look)
    except SourceError as error:
        problem = Positions(_nothing(), text).at(error.offset, error.message, error.hint)
        raise MachineFileError(name, (problem,), text.lines()) from None
    return source, Positions(source.root, text)


# -- from file to text ---------------------------------------------------------------------


def bytes_of(path: Path) -> bytes:
    """The content of a file that a person may have named wrongly.

    Raises:
        MachineFileError: if it cannot be read or is too large.
    """
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            _refuse_whole(
                str(path), Problem(0, 0, "this is a folder, not a machine file", _inside_hint(path))
            )
        if not stat.S_ISREG(status.st_mode):
            _refuse_whole(
                str(path), Problem(0, 0, "this is not a regular file", "give the name of a YAML file")
            )
        if status.st_size > LARGEST_FILE:
            _refuse_whole(str(path), _too_large(status.st_size))
        with path.open("rb") as stream:
            return stream.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        _refuse_whole(str(path), Problem(0, 0, "there is no such file", _near_hint(path)))
    except PermissionError:
        _refuse_whole(str(path), Problem(0, 0, "the file may not be read", "look at its permissions"))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "the name is impossible"
        _refuse_whole(str(path), Problem(0, 0, f"the file cannot be read: {reason.lower()}"))


def _too_large(size: int) -> Problem:
    return Problem(
        0, 0, f"the file has {size / 1e6:.1f} MB, the largest allowed is {LARGEST_FILE // 2**20} MiB",
        "is it a machine file? the largest we know has a few hundred lines",
    )  # fmt: skip


def _refuse_whole(name: str, problem: Problem) -> NoReturn:
    raise MachineFileError(name, (problem,))


def _near_hint(path: Path) -> str:
    try:
        names = [item.name for item in islice(path.parent.iterdir(), 1000) if item.is_file()]
    except OSError:
        return "its folder is not there either"
    close = get_close_matches(path.name, names, n=1, cutoff=0.6)
    return f"did you mean '{path.with_name(close[0])}'?" if close else ""


def _inside_hint(path: Path) -> str:
    found = sorted(item.name for item in islice(path.iterdir(), 1000) if item.suffix in (".yaml", ".yml"))
    return f"did you mean '{path / found[0]}'?" if found else "it holds no YAML file"


def _decoded(content: bytes, name: str) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        _refuse_whole(name, Problem(0, 0, "the file is saved as UTF-16", "save it as UTF-8"))
    if b"\0" in content[:8192]:
        _refuse_whole(name, Problem(0, 0, "this is a binary file, not a machine file"))
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        readable = content[: error.start].decode("utf-8-sig", "replace")
        line, column = Text(readable).place(len(readable))
        problem = Problem(
            line, column, f"byte 0x{content[error.start]:02X} is not UTF-8", "save the file as UTF-8"
        )
        raise MachineFileError(
            name, (problem,), Text(content.decode("utf-8-sig", "replace")).lines()
        ) from None


def _nothing() -> Scalar:
    return Scalar(0, 0, "", None)


# -- from nodes to a machine ---------------------------------------------------------------


def _judge(source: Source, positions: Positions) -> tuple[Machine | None, list[Problem]]:
    """The machine, if the models accept it, and all problems in order of position."""
    problems = [positions.at(offset, message, hint) for offset, message, hint in source.problems]
    if not isinstance(source.root, Mapping):
        problems.append(positions.problem((), "a machine file begins with keys", "say 'machine: yard_gate'"))
        return None, in_order(problems)
    data = data_of(source.root)
    try:
        machine = Machine.model_validate(data, by_name=False, by_alias=True)
    except ValidationError as error:
        refusals = [refusal_of(item, data) for item in error.errors(include_url=False)[:MOST_LOOKED_AT]]
        problems += problems_of(refusals, positions)
        problems += _further(data, refusals, positions)
        return None, in_order(problems)
    problems += [problem_of_finding(item, positions) for item in islice(findings(machine), MOST_LOOKED_AT)]
    problems += truth_like_names(machine, positions)
    return machine, in_order(problems)


def _further(data: Any, refusals: Iterable[Refusal], positions: Positions) -> list[Problem]:
    """Errors of names and kinds that can be judged in spite of the refusals."""
    recovered = recover(data, refusals)
    if recovered is None:
        return []
    machine, doubtful = recovered
    return [
        problem_of_finding(item, positions)
        for item in islice(findings(machine), MOST_LOOKED_AT)
        if item.severity is Severity.ERROR and item.name not in doubtful
    ]


def problems_of(refusals: list[Refusal], positions: Positions) -> list[Problem]:
    """What refused values are told as; one mistake is told once."""
    problems: list[Problem] = []
    told = _without_comma_trap(_without_renamed(refusals), positions, problems)
    return problems + [_problem_of_refusal(item, positions) for item in told]


def _problem_of_refusal(refusal: Refusal, positions: Positions) -> Problem:
    return positions.problem(
        refusal.path, refusal.message, refusal.hint, span=refusal.span, at_key=refusal.at_key
    )


def problem_of_finding(
    item: RuleFinding, positions: Positions, machine: MachineDocument | None = None
) -> Problem:
    """A finding at its place; ``machine`` is the machine file if the finding is about another one."""
    message = item.message
    if item.origin is not None:
        path, span = item.origin
        there = positions if machine is None else machine.positions
        place = there.problem(path, "", span=span)
        file = "" if machine is None else f" of {machine.path}"
        message += f" (line {place.line}, column {place.column}{file})"
    return positions.problem(
        item.path, message, item.hint, severity=item.severity, span=item.span, at_key=item.at_key
    )


def _without_renamed(refusals: list[Refusal]) -> list[Refusal]:
    """A misspelt key is one mistake: its right spelling is not reported as missing as well."""
    meant = {(item.path[:-1], item.hint) for item in refusals if item.kind == "extra_forbidden"}
    return [
        item
        for item in refusals
        if item.kind != "missing" or (item.path, f"did you mean '{item.key}'?") not in meant
    ]


def _without_comma_trap(
    refusals: list[Refusal], positions: Positions, problems: list[Problem]
) -> list[Refusal]:
    """Explains ``{when: held(x, 5 s), to: y}``: inside braces a comma ends an unquoted text.

    YAML reads ``held(x`` and a key ``5 s)``. Both refusals become one problem that says so.
    """
    kept = []
    cut: list[tuple[int, int]] = []
    text = positions.text.text
    for refusal in refusals:
        node = positions.find(refusal.path).node
        if refusal.kind == "text" and isinstance(node, Scalar) and node.in_flow and node.style is None:
            closing = text.find(")", node.end)
            if (
                node.text.count("(") > node.text.count(")")
                and text[node.end : node.end + 1] == ","
                and closing > 0
                and "\n" not in text[node.end : closing]
            ):
                whole = text[node.start : closing + 1]
                problems.append(
                    positions.at(
                        node.end, "inside braces and brackets a comma ends a text without quotes",
                        f"put it in quotes: '{whole}'",
                    )
                )  # fmt: skip
                cut.append((node.end, closing + 1))
                continue
        kept.append(refusal)
    if not cut:
        return refusals

    def caused_by_cut(refusal: Refusal) -> bool:
        key = positions.find(refusal.path).key
        return key is not None and any(start <= key.start < end for start, end in cut)

    return [item for item in kept if item.kind != "extra_forbidden" or not caused_by_cut(item)]


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """In order of position, each said once."""
    return sorted(set(problems), key=lambda item: (item.line, item.column, item.message))


def at_most(problems: list[Problem]) -> list[Problem]:
    """The first hundred, and how many more there are; at least so many where not all were looked at."""
    if len(problems) <= MOST_PROBLEMS:
        return problems
    least = "at least " if len(problems) >= MOST_LOOKED_AT else ""
    said = f"and {least}{len(problems) - MOST_PROBLEMS} more"
    more = Problem(0, 0, said, "correct these first and look again", problems[0].severity)
    return [*problems[:MOST_PROBLEMS], more]
