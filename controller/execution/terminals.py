"""What a running controller asks of its surroundings, and the refusal of names it does not have."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping

from ..errors import ProgramFault, UsageError
from ..machine_file.field_types import Ticks
from ..program.evaluate import Values
from ..program.program import Cell, NoteKind, Observation
from ..rules.namespace import nearest_hint


class Inputs(MutableMapping[str, bool]):
    """Whether each input's circuit conducts now; all open at first. Names cannot be added."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self._levels = dict.fromkeys(names, False)

    def __getitem__(self, name: str) -> bool:
        return self._levels[self._known(name)]

    def __setitem__(self, name: str, conducts: bool) -> None:
        self._levels[self._known(name)] = bool(conducts)

    def __delitem__(self, name: str) -> None:
        raise UsageError(f"the input '{name}' belongs to the machine and cannot be removed")

    def __iter__(self) -> Iterator[str]:
        return iter(self._levels)

    def __len__(self) -> int:
        return len(self._levels)

    def _known(self, name: str) -> str:
        if name not in self._levels:
            raise unknown("input", name, self._levels)
        return name


class Terminals:
    """What compiled terms ask for: observations of inputs, and nothing else."""

    def __init__(self, answers: Mapping[str, Callable[[Values, Observation, Ticks], int]]) -> None:
        self._answers = answers

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        return self._answers[signal](values, observation, ticks)

    def choose(self, cell: Cell, count: int) -> int:
        raise ProgramFault(f"a controller asked for a choice of {cell.name}")

    def note(self, kind: NoteKind, index: int) -> None:
        raise ProgramFault(f"sensing noted {kind.value} {index}")


def unknown(what: str, name: str, known: Iterable[str]) -> UsageError:
    """The error for a name that does not exist, with the nearest one that does."""
    hint = nearest_hint(name, known)
    return UsageError(f"there is no {what} '{name}'" + (f": {hint}" if hint else ""))
