"""A certificate: what can be handed to somebody who does not trust the search that found it.

Two kinds, both one JSON file that names the machine file's digest, the tick and the faults:

* ``states``: every state the closed loop can be in, packed and compressed, and for
  each 'from anywhere' how far each state is from the goal. Re-checked by ``states_recheck``, which
  knows the Program and the Python evaluator only: start states in the set, no step out of the
  set, no BROKEN in any step, and from each state a step that is nearer to the goal.
* ``invariant``: sets of states, as bounds on cells, that the loop never enters. Re-checked by
  ``invariants.faults_of_invariant`` with three queries to z3.

A digest over all fields says that the file is the one that was written, and is looked at before
anything else in it; that it is *right* is for the checks to say, and they do not look at the digest.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.plain_files import is_endless

FORMAT = "stillgate certificate 2"
"""First field of every certificate; changes when a field changes its meaning."""

STATES, INVARIANT = "states", "invariant"

BoundText = tuple[str, str, int]
"""A bound on a cell: name, one of >= <= <>, value."""


@dataclass(frozen=True)
class Certificate:
    """Everything a certificate says.

    Attributes:
        requirements: names of those that it shows to hold with up to ``faults`` faults.
        cells: name, lowest and highest value of each stored cell, in the order of a state.
        beliefs: by input, the memories that each number of its belief stands for.
        states: values of the cells, ascending.
        ranks: by 'from anywhere' requirement, ticks to the goal from each state.
        cubes: of an invariant.
    """

    kind: str
    machine: str
    digest: str  # SHA-256 of the machine file
    version: str
    tick: Milliseconds
    faults: int
    requirements: tuple[str, ...]
    cells: tuple[tuple[str, int, int], ...]
    beliefs: dict[str, tuple[tuple[tuple[int, ...], ...], ...]] = field(default_factory=dict)
    states: tuple[tuple[int, ...], ...] = ()
    ranks: dict[str, tuple[int, ...]] = field(default_factory=dict)
    cubes: tuple[tuple[BoundText, ...], ...] = ()


def certificate_bytes(certificate: Certificate) -> bytes:
    """The file of a certificate."""
    return (json.dumps(certificate_document(certificate), indent=1) + "\n").encode()


def certificate_document(item: Certificate) -> dict[str, Any]:
    """The JSON document of a certificate, its digest included."""
    document = _fields(item)
    return document | {"sha256": _digest(document)}


def _digest(document: dict[str, Any]) -> str:
    """SHA-256 of all fields but the digest, as JSON with sorted keys and without white space."""
    fields = {name: value for name, value in document.items() if name != "sha256"}
    return hashlib.sha256(json.dumps(fields, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _fields(item: Certificate) -> dict[str, Any]:
    document: dict[str, Any] = {
        "format": FORMAT,
        "kind": item.kind,
        "machine": item.machine,
        "digest": item.digest,
        "version": item.version,
        "tick": item.tick,
        "faults": item.faults,
        "requirements": list(item.requirements),
        "cells": [list(cell) for cell in item.cells],
    }
    if item.kind == INVARIANT:
        return document | {"cubes": [[list(bound) for bound in cube] for cube in item.cubes]}
    width = _width(item.cells)
    packed = b"".join(_packed(item.cells, state).to_bytes(width, "big") for state in item.states)
    return document | {
        "beliefs": {
            name: [list(map(list, memories)) for memories in sets] for name, sets in item.beliefs.items()
        },
        "count": len(item.states),
        "states": _squeezed(packed),
        "ranks": {
            name: _squeezed(b"".join(rank.to_bytes(4, "big") for rank in ranks))
            for name, ranks in item.ranks.items()
        },
    }


def read_certificate(path: Path) -> Certificate:
    """Reads a certificate.

    Raises:
        UsageError: if the file is no certificate, is damaged, or its digest does not fit.
        OSError: if it cannot be read.
    """
    if is_endless(path):
        raise UsageError(f"{path}: no certificate: it is not a regular file")
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError:
        raise UsageError(f"{path}: no certificate: it is not text in UTF-8") from None
    except json.JSONDecodeError as error:
        raise UsageError(
            f"{path}:{error.lineno}:{error.colno}: no certificate: not JSON ({error.msg.lower()})"
        ) from None
    except (RecursionError, ValueError):
        raise UsageError(f"{path}: no certificate: nested too deeply, or a number is too long") from None
    found = document.get("format") if isinstance(document, dict) else None
    if found != FORMAT:
        raise UsageError(f"{path}: no certificate: its format is {found!r}, expected {FORMAT!r}")
    try:
        if document["sha256"] != _digest(document):
            raise UsageError("the certificate is not what was written: its digest does not fit")
        return _parsed(document)
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from None
    except KeyError as error:
        raise UsageError(f"{path}: the certificate has no field {error}") from None
    except (TypeError, ValueError, OverflowError, AttributeError, zlib.error, binascii.Error) as error:
        raise UsageError(f"{path}: the certificate is damaged: {error}") from None


def _parsed(document: dict[str, Any]) -> Certificate:
    kind = document["kind"]
    if kind not in (STATES, INVARIANT):
        raise UsageError(f"its kind is {kind!r}, expected {STATES!r} or {INVARIANT!r}")
    cells = tuple((str(name), int(low), int(high)) for name, low, high in document["cells"])
    states: tuple[tuple[int, ...], ...] = ()
    ranks: dict[str, tuple[int, ...]] = {}
    cubes: tuple[tuple[BoundText, ...], ...] = ()
    beliefs: dict[str, tuple[tuple[tuple[int, ...], ...], ...]] = {}
    if kind == INVARIANT:
        cubes = tuple(
            tuple((str(name), str(sign), int(value)) for name, sign, value in cube)
            for cube in document["cubes"]
        )
    else:
        packed = _expanded(document["states"])
        width = _width(cells)
        if len(packed) != width * document["count"]:
            raise UsageError(
                f"it says {document['count']} states of {width} bytes and holds {len(packed)} bytes of states"
            )
        numbers = [int.from_bytes(packed[at : at + width], "big") for at in range(0, len(packed), width)]
        states = tuple(_unpacked(cells, number) for number in numbers)
        for name, text in document["ranks"].items():
            raw = _expanded(text)
            ranks[name] = tuple(int.from_bytes(raw[at : at + 4], "big") for at in range(0, len(raw), 4))
            if len(ranks[name]) != len(states):
                raise UsageError(f"it has {len(states)} states and {len(ranks[name])} ranks for {name}")
        beliefs = {
            str(name): tuple(tuple(tuple(map(int, memory)) for memory in memories) for memories in sets)
            for name, sets in document["beliefs"].items()
        }
    return Certificate(
        kind=kind,
        machine=str(document["machine"]),
        digest=str(document["digest"]),
        version=str(document["version"]),
        tick=int(document["tick"]),
        faults=int(document["faults"]),
        requirements=tuple(map(str, document["requirements"])),
        cells=cells,
        beliefs=beliefs,
        states=states,
        ranks=ranks,
        cubes=cubes,
    )


# -- packing -------------------------------------------------------------------------------------


def _bits(cells: Sequence[tuple[str, int, int]]) -> list[int]:
    return [(high - low).bit_length() for _, low, high in cells]


def _width(cells: Sequence[tuple[str, int, int]]) -> int:
    """Bytes of a packed state."""
    return max(1, -(-sum(_bits(cells)) // 8))


def _packed(cells: Sequence[tuple[str, int, int]], state: Sequence[int]) -> int:
    number = 0
    for (_, low, _), bits, value in zip(cells, _bits(cells), state, strict=True):
        number = number << bits | (value - low)
    return number


def _unpacked(cells: Sequence[tuple[str, int, int]], number: int) -> tuple[int, ...]:
    values: list[int] = []
    for (_, low, _), bits in zip(reversed(cells), reversed(_bits(cells)), strict=True):
        values.append((number & ((1 << bits) - 1)) + low)
        number >>= bits
    if number:
        raise ValueError("a state has bits that no cell has")
    return tuple(reversed(values))


def _squeezed(data: bytes) -> str:
    return base64.b64encode(zlib.compress(data, 9)).decode("ascii")


def _expanded(text: str) -> bytes:
    return zlib.decompress(base64.b64decode(text, validate=True))
