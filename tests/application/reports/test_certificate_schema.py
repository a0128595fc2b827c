"""The published schema of certificates: what is written fits it, and a stranger can read the file by it."""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from typing import Any

import jsonschema
import pytest

import stillgate.interlocks.certificates.certify as maker
from closed_gate import GATE
from engine import quick_build
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.certificates.certificate_file import Certificate, certificate_document
from stillgate.interlocks.certificates.certify import invariant_certificate, states_certificate
from stillgate.reports.published_schemas import schema_of

TEXT = GATE + "  can_wait: {from_anywhere: gate.waiting}\n"
DOCUMENT = read_machine_text(TEXT, "gate.yaml")
SCHEMA: dict[str, Any] = schema_of("certificate")


@pytest.fixture(scope="module")
def by_states() -> Certificate:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(maker, "build_checker", quick_build)
        return states_certificate(DOCUMENT, tick=100, faults=0, effort=Effort(threads=1))


def test_the_schema_is_one() -> None:
    jsonschema.Draft7Validator.check_schema(SCHEMA)


def test_certificates_of_both_kinds_fit_the_schema(by_states: Certificate) -> None:
    """Judged by jsonschema."""
    validator = jsonschema.Draft7Validator(SCHEMA)
    found = invariant_certificate(DOCUMENT, tick=100, faults=0, effort=Effort(threads=1))
    for certificate in (by_states, found):
        document = json.loads(json.dumps(certificate_document(certificate)))
        validator.validate(document)
        assert not validator.is_valid(document | {"more": 1})
        assert not validator.is_valid(document | {"kind": "moon"})
        for field in document:
            fewer = {name: value for name, value in document.items() if name != field}
            assert not validator.is_valid(fewer), field


def test_a_reader_written_from_the_schema_alone_reads_the_same_states(by_states: Certificate) -> None:
    document = json.loads(json.dumps(certificate_document(by_states)))
    widths = [(high - low).bit_length() for _, low, high in document["cells"]]
    length = max(1, (sum(widths) + 7) // 8)
    content = zlib.decompress(base64.b64decode(document["states"]))
    states, numbers = [], []
    for at in range(0, len(content), length):
        bits = bin(int.from_bytes(content[at : at + length], "big"))[2:].zfill(sum(widths))
        values, place = [], 0
        for (_, low, _), width in zip(document["cells"], widths, strict=True):
            values.append(low + (int(bits[place : place + width], 2) if width else 0))
            place += width
        states.append(tuple(values))
        numbers.append(int(bits or "0", 2))
    assert states == list(by_states.states)
    assert numbers == sorted(numbers)
    assert len(states) == document["count"]
    ranks = zlib.decompress(base64.b64decode(document["ranks"]["can_wait"]))
    told = [int.from_bytes(ranks[at : at + 4], "big") for at in range(0, len(ranks), 4)]
    assert told == list(by_states.ranks["can_wait"])
    digest = document.pop("sha256")
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    assert hashlib.sha256(text.encode("ascii")).hexdigest() == digest
