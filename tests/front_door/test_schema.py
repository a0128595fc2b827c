"""``stillgate schema``: valid schemas with a sentence a field, and documents that fit them."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import ruamel.yaml

from .conftest import Command

KINDS = ("machine", "check", "run", "explain", "log", "doctor")


@pytest.mark.parametrize("kind", KINDS)
def test_every_schema_is_a_draft_7_schema(stillgate: Command, kind: str) -> None:
    """Source: the meta-schema of JSON Schema draft-07, as shipped with jsonschema."""
    done = stillgate("schema", "--of", kind)
    assert done.status == 0
    jsonschema.Draft7Validator.check_schema(json.loads(done.out))


@pytest.mark.parametrize("kind", KINDS[1:])
def test_every_field_of_an_output_has_a_sentence(stillgate: Command, kind: str) -> None:
    def walk(node: object) -> None:
        if isinstance(node, dict):
            for field in node.get("properties", {}).values():
                assert "$ref" in field or field["description"].endswith("."), field
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(json.loads(stillgate("schema", "--of", kind).out))


def test_the_starter_fits_the_schema_of_machine_files(stillgate: Command, starter: Path) -> None:
    schema = json.loads(stillgate("schema").out)
    plain = ruamel.yaml.YAML(typ="safe", pure=True).load(starter.read_text())
    jsonschema.Draft7Validator(schema).validate(plain)


def test_doctor_fits_its_schema(stillgate: Command) -> None:
    schema = json.loads(stillgate("schema", "--of", "doctor").out)
    jsonschema.Draft7Validator(schema).validate(json.loads(stillgate("doctor", "--format", "json").out))


def test_a_schema_can_be_written_to_a_file(stillgate: Command, tmp_path: Path) -> None:
    target = tmp_path / "machine.schema.json"
    assert stillgate("schema", "--output", target).status == 0
    assert json.loads(target.read_text()) == json.loads(stillgate("schema").out)
