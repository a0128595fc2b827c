"""What pytest collects from a machine file: an item a requirement, an item a kind of finding.

Findings are known only after the check, and items must be known before it, so each kind that
the check looks for is an item. A requirement that is broken or undecided fails; a finding
fails if it counts as broken or the run asks for it, and warns otherwise, as in a check.

An unchanged file is answered from the cache, items and all: it is hashed and not read, and
neither the reader nor the check is loaded.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from stillgate.controller.errors import MachineFileError, StillgateError
from stillgate.interlocks.results.verdict import CheckResult, Finding, FindingKind, RequirementVerdict, Word

from ...console.words import judgement_words
from .file_names import shown, told
from .machine_check import check_command, check_line, kept_check, run_check
from .properties import CHECK_PROPERTY

if TYPE_CHECKING:
    from stillgate.controller.reading.reader import MachineDocument

LOOKED_FOR = (
    FindingKind.STATE_NEVER_REACHED,
    FindingKind.EXIT_NEVER_TAKEN,
    FindingKind.VACUOUS,
    FindingKind.BOUNDS,
    FindingKind.DEADLOCK,
)
"""Kinds of findings that every check looks for."""


class MachineFindingWarning(pytest.PytestWarning):
    """A finding that breaks nothing."""


class NotHeld(Exception):  # noqa: N818
    """A requirement or finding fails; the text is what is printed."""


class MachineFile(pytest.File):
    """A machine file."""

    _document: MachineDocument | None = None
    _outcome: CheckResult | StillgateError | None = None

    @classmethod
    def of(cls, parent: pytest.Collector, path: Path) -> MachineFile:
        """The collector of a file."""
        found: MachineFile = cls.from_parent(parent, path=path)
        return found

    @property
    def shown(self) -> str:
        """The file as messages name it."""
        return shown(self.path, self.config)

    def again(self, said: str) -> str:
        """What is said of a failure, and how to see it again."""
        return f"{said}\nsee it again with:  {check_command(self.config, self.shown)}"

    def collect(self) -> Iterator[MachineItem]:
        """Items of a kept result, or of the file as read; one that cannot be used is one collection error."""
        try:
            content = self.path.read_bytes()
            self._outcome = kept_check(content, self.path, self.config)
        except (OSError, StillgateError):
            pass  # the reader or the check says it again, in full
        if isinstance(self._outcome, CheckResult):
            yield from self._kept_items(self._outcome)
        else:
            yield from self._read_items()

    def _kept_items(self, result: CheckResult) -> Iterator[MachineItem]:
        for item in result.requirements:
            yield RequirementItem.of(self, item.name, item.hazard, item.line)
        warned = any(item.kind is FindingKind.WARNING for item in result.findings)
        yield from self._finding_items(warned=warned)

    def _read_items(self) -> Iterator[MachineItem]:
        from stillgate.controller.reading.reader import read_machine

        try:
            document = self._document = read_machine(self.path)
        except MachineFileError as error:
            raise self.CollectError(told(error, self.config)) from None
        for name, requirement in document.machine.requirements.items():
            line, _ = document.place(("requirements", name))
            yield RequirementItem.of(self, name, requirement.hazard, line)
        yield from self._finding_items(warned=bool(document.warnings))

    def _finding_items(self, *, warned: bool) -> Iterator[MachineItem]:
        kinds = list(LOOKED_FOR)
        if self.config.getoption("machine_overlaps"):
            kinds.append(FindingKind.OVERLAP)
        if warned:
            kinds.append(FindingKind.WARNING)
        for kind in kinds:
            yield FindingItem.about(self, kind)

    def result(self) -> CheckResult:
        """The check of this file, run when first asked for.

        Raises:
            StillgateError: if it cannot be run; the same for everybody who asks.
        """
        if self._outcome is None:
            assert self._document is not None
            try:
                self._outcome = run_check(self._document, self.path, self.config)
            except StillgateError as error:
                self._outcome = error
        if isinstance(self._outcome, StillgateError):
            raise self._outcome
        return self._outcome


class MachineItem(pytest.Item):
    """One thing that is judged by the check of a machine file."""

    @property
    def file(self) -> MachineFile:
        """The machine file."""
        assert isinstance(self.parent, MachineFile)
        return self.parent

    def setup(self) -> None:
        """Has the file checked, so that the time is that of a set-up, once a file."""
        try:
            result = self.file.result()
        except StillgateError as error:
            said = f"the check could not be run: {error}"
        else:
            self.user_properties.append((CHECK_PROPERTY, check_line(result, self.file.shown)))
            return
        pytest.fail(said, pytrace=False)  # outside, so that nothing is said of what it came from

    def mark(self, *words: str) -> None:
        """Marks shared by all items; the group keeps the items of a file on one worker."""
        for word in ("machine", *words):
            self.add_marker(word)
        self.add_marker(pytest.mark.xdist_group(self.file.nodeid))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What failed, in the words of a check."""
        if isinstance(excinfo.value, NotHeld | MachineFindingWarning):  # a warning where -W makes it an error
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)


class RequirementItem(MachineItem):
    """A requirement.

    Attributes:
        line: where it stands in the file, from 1.
    """

    line: int

    @classmethod
    def of(cls, file: MachineFile, name: str, hazard: str | None, line: int) -> RequirementItem:
        """The item of a requirement."""
        item: RequirementItem = cls.from_parent(file, name=name)
        item.line = line
        item.mark("requirement")
        if hazard is not None:
            item.add_marker(pytest.mark.hazard(name=hazard))
            item.extra_keyword_matches.add(hazard)
        return item

    def runtest(self) -> None:
        """Fails unless the requirement holds under the faults that it must withstand."""
        result = self.file.result()
        verdict = next(item for item in result.requirements if item.name == self.name)
        self.user_properties.append(("verdict", _verdict_words(verdict, result.scan)))
        if verdict.verdict is not Word.HOLDS:
            from .failure_text import requirement_text

            raise NotHeld(self.file.again(requirement_text(verdict, result, self.file.shown)))

    def reportinfo(self) -> tuple[Path, int, str]:
        """Where the requirement stands."""
        return self.path, max(0, self.line - 1), f"{self.path.name}: {self.name}"


def _verdict_words(verdict: RequirementVerdict, scan: int) -> str:
    counted = [item for item in verdict.judgements if item.faults <= verdict.faults]
    telling = next((item for item in counted if item.word is verdict.verdict), None)
    return verdict.verdict.value if telling is None else judgement_words(telling, scan)


class FindingItem(MachineItem):
    """All findings of a kind."""

    kind: FindingKind

    @classmethod
    def about(cls, file: MachineFile, kind: FindingKind) -> FindingItem:
        """The item of a kind."""
        item: FindingItem = cls.from_parent(file, name=f"finding[{kind.value}]")
        item.kind = kind
        item.mark("finding")
        return item

    def runtest(self) -> None:
        """Fails or warns if there is one."""
        found = [item for item in self.file.result().findings if item.kind is self.kind]
        strict = self.config.getoption("machine_findings") or self.config.getini("stillgate_findings")
        failing = [item for item in found if item.breaks or strict == "fail"]
        for item in found:
            if item not in failing:
                warning = MachineFindingWarning(self._sentence(item))
                # Not self.warn, which names the place of the item: the finding has one of its own.
                warnings.warn_explicit(warning, None, str(self.path), item.line)
        if failing:
            from .failure_text import finding_text

            said = "\n\n".join(finding_text(item, self._sentence(item)) for item in failing)
            raise NotHeld(self.file.again(said))

    def _sentence(self, item: Finding) -> str:
        return f"{self.file.shown}:{item.line}:{item.column}: {item.kind.value}: {item.message}"

    def reportinfo(self) -> tuple[Path, int, str]:
        """The file."""
        return self.path, 0, f"{self.path.name}: {self.name}"
