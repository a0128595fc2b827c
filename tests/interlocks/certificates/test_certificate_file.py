"""A certificate stands when checked again, and does not when anything in it is tampered with."""

from __future__ import annotations

import base64
import json
import sys
import zlib
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import stillgate.interlocks.certificates.certify as maker
from closed_gate import GATE, quick
from engine import quick_build
from machines_strategy import machine_text
from plants_strategy import closed_machine_dicts
from stillgate.controller.effort import Effort
from stillgate.controller.errors import CapReached, UsageError
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.certificates import certificate_file
from stillgate.interlocks.certificates.certificate_file import (
    Certificate,
    certificate_bytes,
    read_certificate,
)
from stillgate.interlocks.certificates.certify import invariant_certificate, states_certificate
from stillgate.interlocks.certificates.recheck import recheck_certificate

TEXT = (
    GATE
    + "  one_place: {never: asked.motor_shut and gate.resting}\n"
    + "  can_wait: {from_anywhere: gate.waiting}\n  can_open: {reach: gate.waiting}\n"
)
DOCUMENT = read_machine_text(TEXT, "gate.yaml")


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(maker, "build_checker", quick_build)


def made(document: MachineDocument = DOCUMENT, faults: int = 0, tick: int = 100) -> Certificate:
    return states_certificate(document, tick=tick, faults=faults, effort=Effort(threads=1))


@pytest.mark.parametrize("faults", [0, 1])
def test_a_certificate_of_all_states_stands(faults: int, tmp_path: Path) -> None:
    certificate = made(faults=faults)
    file = tmp_path / "gate.cert"
    file.write_bytes(certificate_bytes(certificate))
    assert read_certificate(file) == certificate
    result = recheck_certificate(DOCUMENT, certificate)
    assert (result.refusal, result.cut_short) == (None, False)
    assert result.states == len(certificate.states)
    assert ("can_wait" in certificate.requirements) is not faults
    assert "can_open" not in certificate.requirements  # a set of states does not show that one is reached


def test_a_certificate_without_one_of_its_states_is_refused_with_the_step_that_leads_there() -> None:
    certificate = made()
    ranks = certificate.ranks["can_wait"]
    for left_out in range(0, len(certificate.states), 1 + len(certificate.states) // 8):
        states = tuple(s for i, s in enumerate(certificate.states) if i != left_out)
        fewer = tuple(r for i, r in enumerate(ranks) if i != left_out)
        result = recheck_certificate(DOCUMENT, replace(certificate, states=states, ranks={"can_wait": fewer}))
        assert result.refusal is not None
        assert result.refusal.text in (
            "a start state is missing",
            "a step leads to a state that is missing",
            "can_wait: no step leads nearer to the goal",
        )
        assert set(result.refusal.state) == {name for name, _, _ in certificate.cells}


def test_a_state_with_one_bit_changed_is_refused() -> None:
    certificate = made()
    for number in range(0, len(certificate.states), 1 + len(certificate.states) // 8):
        for cell, (_, low, high) in enumerate(certificate.cells):
            state = certificate.states[number]
            value = low + ((state[cell] - low) ^ 1)
            other = (*state[:cell], value, *state[cell + 1 :])
            if value > high or other in certificate.states:
                continue
            states = (*certificate.states[:number], other, *certificate.states[number + 1 :])
            assert recheck_certificate(DOCUMENT, replace(certificate, states=states)).refusal is not None
            break


def test_a_rank_that_lies_is_refused() -> None:
    certificate = made()
    ranks = certificate.ranks["can_wait"]
    assert max(ranks) > 2
    at = ranks.index(max(ranks))
    lie = (*ranks[:at], 1, *ranks[at + 1 :])
    result = recheck_certificate(DOCUMENT, replace(certificate, ranks={"can_wait": lie}))
    assert result.refusal is not None
    assert result.refusal.text == "can_wait: no step leads nearer to the goal"


def test_a_requirement_that_breaks_cannot_be_certified_away() -> None:
    """Found broken, it is not in the certificate; written into it, the re-check finds the step."""
    document = read_machine_text(TEXT.replace("within: 200 ms", "within: 10 ms"), "gate.yaml")
    certificate = made(document)
    assert "edge_stops_it" not in certificate.requirements
    assert recheck_certificate(document, certificate).refusal is None
    forged = replace(certificate, requirements=(*certificate.requirements, "edge_stops_it"))
    result = recheck_certificate(document, forged)
    assert result.refusal is not None
    assert result.refusal.text == "edge_stops_it breaks in a step from a state of it"
    assert result.refusal.choices


def test_a_certificate_that_says_more_than_it_can_show_is_refused() -> None:
    certificate = made()
    for name in ("can_open", "nothing_like_it"):
        with pytest.raises(UsageError, match=f"cannot show '{name}'"):
            recheck_certificate(DOCUMENT, replace(certificate, requirements=(name,)))
    with pytest.raises(UsageError, match="another machine file"):
        recheck_certificate(read_machine_text(TEXT + "# changed\n", "gate.yaml"), certificate)
    with pytest.raises(UsageError, match="cells are not those"):
        recheck_certificate(DOCUMENT, replace(certificate, cells=certificate.cells[1:]))
    with pytest.raises(UsageError, match="tick of 1 ms"):
        recheck_certificate(DOCUMENT, replace(certificate, tick=1))


def test_a_recheck_cut_short_says_so() -> None:
    result = recheck_certificate(DOCUMENT, made(), effort=Effort().within(0.0))
    assert result.cut_short
    assert result.refusal is None


def test_a_search_cut_short_gives_no_certificate() -> None:
    with pytest.raises(CapReached, match="state cap"):
        states_certificate(DOCUMENT, tick=100, faults=0, effort=Effort(threads=1, states=10))


@quick(3)
@given(machine=closed_machine_dicts(), faults=st.integers(0, 1))
def test_certificates_of_random_machines_stand(machine: dict[str, Any], faults: int) -> None:
    document = read_machine_text(machine_text(machine), "random.yaml")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(maker, "build_checker", quick_build)
        try:
            certificate = made(document, faults, document.machine.check.tick or document.machine.scan)
        except UsageError:
            return
    assert recheck_certificate(document, certificate).refusal is None


# -- invariants ----------------------------------------------------------------------------------


def test_an_invariant_stands_and_is_refused_where_it_is_tampered_with() -> None:
    certificate = invariant_certificate(DOCUMENT, tick=100, faults=0, effort=Effort())
    assert recheck_certificate(DOCUMENT, certificate).refusal is None
    assert certificate.requirements[:2] == ("one_direction", "asked_for")
    lacking = [
        recheck_certificate(
            DOCUMENT, replace(certificate, cubes=certificate.cubes[:at] + certificate.cubes[at + 1 :])
        )
        for at in range(min(6, len(certificate.cubes)))
    ]
    assert any(result.refusal is not None for result in lacking)
    name, low, _ = certificate.cells[0]
    everything = recheck_certificate(DOCUMENT, replace(certificate, cubes=(((name, ">=", low),),)))
    assert everything.refusal is not None
    assert everything.refusal.text == "a start state is excluded"
    for bound in (("nothing", ">=", 0), (name, "=", 0), (name, ">=", 99)):
        with pytest.raises(UsageError, match="the certificate"):
            recheck_certificate(DOCUMENT, replace(certificate, cubes=((bound,),)))


# -- files ---------------------------------------------------------------------------------------


def _document() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(certificate_bytes(made()))
    return found


def fitting(document: dict[str, Any]) -> dict[str, Any]:
    """With a digest that fits, as somebody who means to deceive would write it."""
    return document | {"sha256": certificate_file._digest(document)}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"format": "stillgate certificate 9"}, "its format is"),
        ({"kind": "hope"}, "its kind is"),
        ({"count": 3}, "says 3 states"),
        ({"states": "!"}, "damaged"),
        ({"states": base64.b64encode(zlib.compress(b"\0" * 3)).decode()}, "holds 3 bytes"),
        ({"sha256": "0"}, "digest does not fit"),
        ({"cells": [["x"]]}, "damaged"),
        ({"tick": float("inf")}, "damaged"),
        ({"ranks": {"can_wait": base64.b64encode(zlib.compress(b"\0" * 4)).decode()}}, "and 1 ranks"),
    ],
)
def test_a_damaged_file_is_one_clear_error(change: dict[str, Any], message: str, tmp_path: Path) -> None:
    file = tmp_path / "gate.cert"
    file.write_text(json.dumps(fitting(_document() | change) | change))
    with pytest.raises(UsageError, match=message):
        read_certificate(file)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe\x00", "not text"),
        (b"{", ":1:2: no certificate: not JSON"),
        (b"[]", "its format is None"),
        (b"[" * 100_000, "nested too deeply"),
        (b"[" + b"9" * 5000 + b"]", "a number is too long"),
    ],
)
def test_what_is_no_certificate_is_told(content: bytes, message: str, tmp_path: Path) -> None:
    file = tmp_path / "other"
    file.write_bytes(content)
    with pytest.raises(UsageError, match=message):
        read_certificate(file)


@pytest.mark.skipif(sys.platform == "win32", reason="no device of that name")
def test_a_device_without_an_end_is_no_certificate() -> None:
    with pytest.raises(UsageError, match="/dev/zero: no certificate: it is not a regular file"):
        read_certificate(Path("/dev/zero"))


def test_a_missing_field_is_named(tmp_path: Path) -> None:
    document = _document()
    del document["tick"]
    file = tmp_path / "gate.cert"
    file.write_text(json.dumps(fitting(document)))
    with pytest.raises(UsageError, match="no field 'tick'"):
        read_certificate(file)


@pytest.mark.parametrize("kind", ["states", "invariant"])
@pytest.mark.parametrize("flips", [20, pytest.param(400, marks=pytest.mark.night)])
def test_a_flipped_bit_of_a_certificate_is_told(kind: str, flips: int, tmp_path: Path) -> None:
    """Wherever it is: the re-check is not asked to notice, as of a requirement's name it could not."""
    whole = certificate_bytes(
        made() if kind == "states" else invariant_certificate(DOCUMENT, tick=100, faults=0, effort=Effort())
    )
    file = tmp_path / "gate.cert"
    random = Random(flips)
    for at in (random.randrange(8 * len(whole)) for _ in range(flips)):
        damaged = bytearray(whole)
        damaged[at // 8] ^= 1 << at % 8
        file.write_bytes(damaged)
        with pytest.raises(UsageError, match="certificate"):
            read_certificate(file)
    for length in (0, 1, len(whole) // 2, len(whole) - 3):
        file.write_bytes(whole[:length])
        with pytest.raises(UsageError, match="no certificate"):
            read_certificate(file)
