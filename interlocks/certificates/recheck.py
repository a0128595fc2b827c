"""Re-checks a certificate against a machine file, whatever its kind."""

from __future__ import annotations

import time
from collections.abc import Callable

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.reading.reader import MachineDocument
from stillgate.controller.rules.rules import tick_problem

from .certificate_file import INVARIANT, Certificate
from .certify import certificate_loop
from .states_recheck import CertificateRefusal, Recheck, recheck_states


def recheck_certificate(
    document: MachineDocument,
    certificate: Certificate,
    *,
    effort: Effort | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Recheck:
    """Whether a certificate stands.

    Args:
        effort: over, the re-check is cut short.
        progress: told the states done and the states to do.

    Raises:
        UsageError: if it is of another machine file, or does not fit it.
        ToolMissing: if it needs z3 and there is none.
    """
    if document.digest != certificate.digest:
        raise UsageError(
            f"the certificate is of another machine file: its SHA-256 is {certificate.digest[:12]}..., this"
            f" file's is {document.digest[:12]}..."
        )
    if tick_problem(certificate.tick, document.machine.scan) or certificate.faults not in (0, 1):
        raise UsageError(
            f"the certificate's tick of {format_duration(certificate.tick)} or its {certificate.faults} "
            "faults cannot be"
        )
    if certificate.kind == INVARIANT:
        return _recheck_invariant(document, certificate, effort or Effort())
    loop = certificate_loop(document.machine, certificate.tick, certificate.faults)
    return recheck_states(loop, certificate, effort=effort, progress=progress)


def _recheck_invariant(document: MachineDocument, certificate: Certificate, effort: Effort) -> Recheck:
    from ..proofs.solver import solver_name

    solver_name()
    from ..proofs.cubes import Bound, Relation
    from ..proofs.inductive_check import faults_of_invariant
    from ..proofs.transition_system import loop_formula

    began = time.monotonic()
    try:
        formula = loop_formula(
            document.machine, tick=certificate.tick, faults=certificate.faults, effort=effort
        )
    except OutOfTime:
        return Recheck(None, 0, 0, time.monotonic() - began, cut_short=True)
    cells = tuple((cell.name, cell.low, cell.high) for cell in formula.cells)
    if cells != certificate.cells:
        raise UsageError("the certificate's cells are not those of this machine at this tick")
    place = {cell.name: number for number, cell in enumerate(formula.cells)}
    cubes: list[tuple[Bound, ...]] = []
    for cube in certificate.cubes:
        bounds: list[Bound] = []
        for name, sign, value in cube:
            if name not in place or sign not in {item.value for item in Relation}:
                raise UsageError(f"the certificate says '{name} {sign} {value}', which means nothing here")
            cell = formula.cells[place[name]]
            if not cell.low <= value <= cell.high:
                raise UsageError(
                    f"the certificate compares {name} with {value}, outside {cell.low}..{cell.high}"
                )
            bounds.append(Bound(place[name], Relation(sign), value))
        cubes.append(tuple(bounds))
    monitored = formula.loop.monitors.broken
    for name in certificate.requirements:
        if name not in monitored:
            raise UsageError(f"the certificate cannot show '{name}': it holds nothing to check that by")
    never = {name: formula.broken[name] for name in certificate.requirements}
    try:
        wrong = faults_of_invariant(formula, cubes, never, effort=effort)
    except OutOfTime:
        return Recheck(None, 0, 0, time.monotonic() - began, cut_short=True)
    refusal = None
    if wrong:
        state = dict(zip((cell.name for cell in formula.cells), wrong[0].state, strict=True))
        refusal = CertificateRefusal(wrong[0].text, state)
    return Recheck(refusal, len(cubes), 0, time.monotonic() - began)
