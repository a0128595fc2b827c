"""What is different between two versions of a machine file, in words; notes and spacing do not count."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from difflib import SequenceMatcher
from enum import Enum
from typing import Any

from pydantic import BaseModel

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import canonical
from stillgate.controller.machine_file.field_types import Condition
from stillgate.controller.machine_file.machine import Exit, Interlock, NamedCondition, Override, Requirement
from stillgate.controller.machine_file.machine import Sequence as SequenceModel
from stillgate.controller.reading.reader import MachineDocument

from ..results.comparison import FileChange
from ..results.requirement_text import sentence_of, written_out

_SILENT = {"note", "title", "why"}
_TIMES = {"scan", "debounce", "after", "within", "during", "tick"}
_RANGES = {"takes", "takes_back", "runs_up", "runs_down", "every", "lasts"}

YamlPath = tuple[str | int, ...]


def file_changes(old: MachineDocument, new: MachineDocument) -> tuple[FileChange, ...]:
    """Every difference between two machine files, in the order of the file's sections."""
    return tuple(_Comparer(old, new).all())


class _Comparer:
    def __init__(self, old: MachineDocument, new: MachineDocument) -> None:
        self.old, self.new = old, new

    def all(self) -> Iterator[FileChange]:
        """Section by section."""
        old, new = self.old.machine, self.new.machine
        for field in ("machine", "scan"):
            yield from self._field("machine", "the machine", field, (old, new), ())
        yield from self._hazards(old.hazards, new.hazards)
        for section in ("inputs", "outputs", "memory", "parts"):
            yield from self._named(section, getattr(old, section), getattr(new, section))
        yield from self._conditions(old.conditions, new.conditions)
        yield from self._sequences(old.sequences, new.sequences)
        yield from self._listed("interlocks", "interlocks", ("interlocks",), old.interlocks, new.interlocks)
        yield from self._requirements(old.requirements, new.requirements)
        yield from self._fields("check", "the check", old.check, new.check, ("check",))

    # -- sections --------------------------------------------------------------------------

    def _hazards(self, old: Mapping[str, str], new: Mapping[str, str]) -> Iterator[FileChange]:
        for name, word in _added_and_removed(old, new):
            yield self._change("hazards", name, f"hazard {name} {word}", ("hazards", name))

    def _named(
        self, section: str, old: Mapping[str, BaseModel], new: Mapping[str, BaseModel]
    ) -> Iterator[FileChange]:
        one = {"inputs": "input", "outputs": "output", "memory": "memory", "parts": "part"}[section]
        for name, word in _added_and_removed(old, new):
            yield self._change(section, name, f"{one} {name} {word}", (section, name))
        for name in old:
            if name in new:
                yield from self._fields(section, f"{one} {name}", old[name], new[name], (section, name))

    def _conditions(
        self, old: Mapping[str, NamedCondition], new: Mapping[str, NamedCondition]
    ) -> Iterator[FileChange]:
        """What was put differently; what follows from it stands where the names stand."""
        for name, word in _added_and_removed(old, new):
            said = (new if word == "added" else old)[name].when.text
            path = ("conditions", name)
            yield self._change("conditions", name, f"condition {name} {word}: '{said}'", path)
        for name, before in old.items():
            if name in new and canonical(before.when.written) != canonical(new[name].when.written):
                text = f"condition {name}: was '{before.when.text}', is '{new[name].when.text}'"
                yield self._change("conditions", name, text, ("conditions", name))

    def _sequences(
        self, old: Mapping[str, SequenceModel], new: Mapping[str, SequenceModel]
    ) -> Iterator[FileChange]:
        for name, word in _added_and_removed(old, new):
            yield self._change("sequences", name, f"sequence {name} {word}", ("sequences", name))
        for name, before in old.items():
            if name in new:
                yield from self._sequence(name, before, new[name])

    def _sequence(self, name: str, old: SequenceModel, new: SequenceModel) -> Iterator[FileChange]:
        base: YamlPath = ("sequences", name)
        yield from self._field("sequences", f"sequence {name}", "start", (old, new), base)
        path = (*base, "overrides")
        yield from self._listed("sequences", f"{name}, overrides", path, old.overrides, new.overrides)
        for state, word in _added_and_removed(old.states, new.states):
            where = f"{name}.{state}"
            yield self._change("sequences", where, f"state {where} {word}", (*base, "states", state))
        for state, before in old.states.items():
            after = new.states.get(state)
            if after is None:
                continue
            where, path = f"{name}.{state}", (*base, "states", state)
            for output, word in _added_and_removed(dict.fromkeys(before.on), dict.fromkeys(after.on)):
                said = f"state {where}: output {output} {'now on' if word == 'added' else 'no longer on'}"
                yield self._change("sequences", where, said, (*path, "on"))
            yield from self._field("sequences", f"state {where}", "end", (before, after), path)
            yield from self._listed("sequences", where, (*path, "exits"), before.exits, after.exits)

    def _requirements(
        self, old: Mapping[str, Requirement], new: Mapping[str, Requirement]
    ) -> Iterator[FileChange]:
        for name, word in _added_and_removed(old, new):
            text = f"requirement {name} {word}: {sentence_of((new if word == 'added' else old)[name])}"
            yield self._change("requirements", name, text, ("requirements", name))
        for name, before in old.items():
            after = new.get(name)
            if after is None:
                continue
            path = ("requirements", name)
            if sentence_of(written_out(before)) != sentence_of(written_out(after)):
                meant = (sentence_of(written_out(before)), sentence_of(written_out(after)))
                said = _told_apart((sentence_of(before), sentence_of(after)), meant)
                text = f"requirement {name}: '{said[0]}' is now '{said[1]}'"
                yield self._change("requirements", name, text, path)
            for field in ("hazard", "faults"):
                yield from self._field("requirements", f"requirement {name}", field, (before, after), path)

    # -- lists and fields ------------------------------------------------------------------

    def _listed(
        self,
        section: str,
        subject: str,
        path: YamlPath,
        old: Sequence[Exit | Override | Interlock],
        new: Sequence[Exit | Override | Interlock],
    ) -> Iterator[FileChange]:
        """Items whose order is their priority: what came, went and moved."""
        before, after = [_meaning(item) for item in old], [_meaning(item) for item in new]
        for kind, a, b, c, d in SequenceMatcher(a=before, b=after, autojunk=False).get_opcodes():
            if kind == "equal":
                continue
            paired = min(b - a, d - c) if kind == "replace" else 0
            for k in range(paired):
                meant = (before[a + k], after[c + k])
                said = _told_apart((_said(old[a + k]), _said(new[c + k])), meant)
                text = f"{subject}: '{said[0]}' is now '{said[1]}'"
                yield self._placed(section, subject, text, (*path, a + k), (*path, c + k))
            for k in range(a + paired, b):
                moved = " (moved)" if before[k] in after else ""
                text = f"{subject}: '{_said(old[k])}' removed{moved}"
                yield self._placed(section, subject, text, (*path, k), None)
            for k in range(c + paired, d):
                moved = " (moved)" if after[k] in before else ""
                text = f"{subject}: '{_said(new[k])}' added{moved}"
                yield self._placed(section, subject, text, None, (*path, k))

    def _fields(
        self, section: str, subject: str, old: BaseModel, new: BaseModel, path: YamlPath
    ) -> Iterator[FileChange]:
        if type(old) is not type(new):
            yield self._change(section, subject, f"{subject} is of another kind now", path)
            return
        for field in type(old).model_fields:
            if field not in _SILENT:
                yield from self._field(section, subject, field, (old, new), path)

    def _field(
        self, section: str, subject: str, field: str, both: tuple[BaseModel, BaseModel], path: YamlPath
    ) -> Iterator[FileChange]:
        before, after = (getattr(item, field) for item in both)
        if _plain(before) != _plain(after):
            key = type(both[0]).model_fields[field].alias or field
            was, now = _spoken(field, before), _spoken(field, after)
            if was == now:  # a named condition in it means something else
                was, now = str(_plain(before)), str(_plain(after))
            text = f"{subject}: {key} was {was}, is {now}"
            yield self._change(section, subject, text, (*path, key))

    def _change(self, section: str, subject: str, text: str, path: YamlPath) -> FileChange:
        return self._placed(section, subject, text, path, path)

    def _placed(
        self, section: str, subject: str, text: str, old: YamlPath | None, new: YamlPath | None
    ) -> FileChange:
        return FileChange(section, subject, text, _line(self.old, old), _line(self.new, new))


def _line(document: MachineDocument, path: YamlPath | None) -> int | None:
    """Line of what stands at a path; None if it is not there."""
    if path is None:
        return None
    found = document.positions.find(path)
    parent = document.positions.find(path[:-1])
    return document.place(path)[0] if found.complete or (parent.complete and len(path) > 2) else None


def _added_and_removed(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield from ((name, "removed") for name in old if name not in new)
    yield from ((name, "added") for name in new if name not in old)


def _said(item: Exit | Override | Interlock) -> str:
    """An exit, override or interlock in one line, as the file puts it."""
    return _line_of(item, lambda condition: canonical(condition.written))


def _meaning(item: Exit | Override | Interlock) -> str:
    """The same with named conditions written out, equal for equal meaning."""
    return _line_of(item, lambda condition: canonical(condition.tree))


def _told_apart(said: tuple[str, str], meant: tuple[str, str]) -> tuple[str, str]:
    """What was and what is; written out if only a named condition in it means something else."""
    return meant if said[0] == said[1] else said


def _line_of(item: Exit | Override | Interlock, spell: Callable[[Condition], str]) -> str:
    if isinstance(item, Interlock):
        return f"{item.hold_off} held off unless {spell(item.unless)}"
    parts = [f"to {item.to}"]
    if item.when is not None:
        parts.append(f"when {spell(item.when)}")
    if isinstance(item, Exit) and item.after is not None:
        parts.append(f"after {format_duration(item.after)}")
    parts += [f"do {name}: {spell(value)}" for name, value in item.do.items()]
    parts += [f"set {name}" for name in item.set]
    parts += [f"clear {name}" for name in item.clear]
    return ", ".join(parts)


def _plain(value: Any) -> Any:
    """A value as it is compared: conditions by meaning, notes left out."""
    match value:
        case Condition():
            return canonical(value.tree)
        case BaseModel():
            return {
                name: _plain(getattr(value, name)) for name in type(value).model_fields if name not in _SILENT
            }
        case dict():
            return {name: _plain(item) for name, item in value.items()}
        case list():
            return [_plain(item) for item in value]
        case _:
            return value


def _spoken(field: str, value: Any) -> str:
    match value:
        case None:
            return "not given"
        case bool():
            return "true" if value else "false"
        case int() if field in _TIMES:
            return format_duration(value)
        case (int(low), int(high)) if field in _RANGES:
            return f"{format_duration(low)} to {format_duration(high)}"
        case Enum():
            return str(value.value)
        case Condition():
            return f"'{value.text}'"
        case _:
            return str(_plain(value))
