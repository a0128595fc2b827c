"""JSON Schema of a certificate's file, with all that a re-check written by somebody else needs to read it."""

from __future__ import annotations

from stillgate.interlocks.certificates.certificate_file import FORMAT, INVARIANT, STATES

from .schema_words import DRAFT, Schema, many, table, text, whole

PACKED = "The bytes are compressed (zlib, RFC 1950) and then written in base 64 (RFC 4648, section 4)."

CELL: Schema = {
    "type": "array",
    "description": "Name of a cell, its lowest and its highest value.",
    "items": [text("Name."), whole("Lowest value.", None), whole("Highest value.", None)],
    "minItems": 3,
    "maxItems": 3,
}

BOUND: Schema = {
    "type": "array",
    "description": "A bound on a cell: its name, a comparison, a value.",
    "items": [text("Name of a cell."), text("Comparison.", ">=", "<=", "<>"), whole("Value.", None)],
    "minItems": 3,
    "maxItems": 3,
}

COMMON: dict[str, Schema] = {
    "format": {"const": FORMAT, "type": "string", "description": "Name and number of this format."},
    "kind": text(
        "'states': every state is listed. 'invariant': sets that are never entered.", STATES, INVARIANT
    ),
    "machine": text("Name of the machine."),
    "digest": text("SHA-256 of the machine file, in hexadecimal; a re-check wants this very file."),
    "version": text("Version of Stillgate that wrote it."),
    "tick": whole("Period of one step in milliseconds.", 1),
    "faults": {**whole("Largest number of faults that it allows for."), "maximum": 1},
    "requirements": many("Requirements that it shows to hold.", text("Name of a requirement.")),
    "cells": many("What a state is made of, in this order.", CELL),
    "sha256": text(
        "SHA-256, in hexadecimal, of all other fields as JSON with sorted keys, no white space, and every "
        "character beyond ASCII escaped. It says that the file is whole, not that it is right."
    ),
}  # fmt: skip

OF_STATES: dict[str, Schema] = {
    "count": whole("How many states there are."),
    "states": text(
        "All states, ascending as numbers. A state is one number: its cells in their order, the first "
        "highest, each as value less lowest in as many bits as highest less lowest needs; it takes the "
        "least whole number of bytes for all bits, one at least, the highest byte first. " + PACKED
    ),
    "ranks": table(
        "By requirement 'from anywhere': how many ticks each state is from the goal at most.",
        text("Four bytes a state, the highest first, in the order of the states. " + PACKED),
    ),
    "beliefs": table(
        "By input of which only part is known: the memories (last level, time and the like) that each value"
        " of its cell stands for.",
        many("By value of the cell.", many("Memories.", many("One memory.", whole("A value.", None)))),
    ),
}  # fmt: skip

OF_INVARIANT: dict[str, Schema] = {
    "cubes": many("Sets of states that are never entered.", many("Bounds that hold together.", BOUND)),
}


def _kind(kind: str, fields: dict[str, Schema], others: dict[str, Schema]) -> Schema:
    return {
        "properties": {"kind": {"const": kind}, **dict.fromkeys(others, False)},
        "required": list(fields),
    }


CERTIFICATE: Schema = {
    "$schema": DRAFT,
    "title": "Certificate",
    "type": "object",
    "description": (
        "What stillgate certificate writes and stillgate recheck reads: what shows that requirements hold, "
        "for somebody who does not trust the search that found it."
    ),
    "properties": {**COMMON, **OF_STATES, **OF_INVARIANT},
    "required": list(COMMON),
    "additionalProperties": False,
    "oneOf": [_kind(STATES, OF_STATES, OF_INVARIANT), _kind(INVARIANT, OF_INVARIANT, OF_STATES)],
}  # fmt: skip
