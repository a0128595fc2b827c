"""``stillgate schema``: valid schemas with a sentence a field, and documents that fit them."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import ruamel.yaml

from stillgate.controller.errors import MachineFileError
from stillgate.sim_io.logs.readers.columns import read_column_map

from ..conftest import Command

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


MAP = """\
time: {column: Zeit, as: date-time, format: '%d.%m.%Y %H:%M:%S', zone: Europe/Berlin}
delimiter: ';'
every: 100 ms
clock: skip
columns:
  DI 07: cutter_still
  DI 08: {signal: estop_1, inverted: true}
  bar: {signal: oil_ok, above: 12.0}
"""


def test_the_schema_of_column_maps_accepts_what_the_reader_reads(stillgate: Command, tmp_path: Path) -> None:
    """Both are asked about the same text; what one refuses the other refuses. Judged by jsonschema."""
    schema = json.loads(stillgate("schema", "--of", "column-map").out)
    jsonschema.Draft7Validator.check_schema(schema)
    validator = jsonschema.Draft7Validator(schema)
    path = tmp_path / "site.yaml"

    def accepted(text: str) -> bool:
        path.write_text(text)
        plain = ruamel.yaml.YAML(typ="safe", pure=True).load(text)
        try:
            read_column_map(path)
        except MachineFileError:
            assert not validator.is_valid(plain)
            return False
        assert validator.is_valid(plain)
        return True

    assert accepted(MAP)
    for right, wrong in (
        ("skip", "hop"),
        ("every: 100 ms", "every: 100"),
        ("delimiter", "delimeter"),
        ("inverted: true", "inverted: 1"),
        ("signal: oil_ok, ", ""),
        ("as: date-time", "as: hours"),
    ):
        assert right in MAP
        assert not accepted(MAP.replace(right, wrong)), wrong


def test_every_key_of_a_column_map_has_a_title_a_sentence_and_an_example(stillgate: Command) -> None:
    schema = json.loads(stillgate("schema", "--of", "column-map").out)
    for section in (schema, *schema["definitions"].values()):
        for key, field in section["properties"].items():
            assert field["title"], key
            assert field["description"].endswith("."), key
            assert field["examples"], key


def test_a_schema_can_be_written_to_a_file(stillgate: Command, tmp_path: Path) -> None:
    target = tmp_path / "machine.schema.json"
    assert stillgate("schema", "--output", target).status == 0
    assert json.loads(target.read_text()) == json.loads(stillgate("schema").out)
