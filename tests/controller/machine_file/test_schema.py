"""The JSON Schema that editors use: draft-07, complete, and at one with the reader."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machine_texts import YARD_GATE, broken
from stillgate.controller.errors import MachineFileError, TextError
from stillgate.controller.expressions.durations import parse_duration, parse_duration_range
from stillgate.controller.machine_file.field_types import parse_name
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.machine_file.schema import machine_schema
from stillgate.controller.reading.messages import flow_text
from stillgate.controller.reading.reader import read_machine_text
from stillgate.controller.reading.source import data_of, read_source

SCHEMA = machine_schema()
VALIDATOR = jsonschema.Draft7Validator(SCHEMA)
SECTIONS = [("machine file", SCHEMA), *SCHEMA["definitions"].items()]


def test_the_schema_is_valid_draft_07() -> None:
    """Checked against the published meta-schema, as the jsonschema package ships it."""
    jsonschema.Draft7Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "http://json-schema.org/draft-07/schema#"


def test_the_schema_holds_no_word_newer_than_draft_07() -> None:
    """Source: the changes listed in the drafts 2019-09 and 2020-12 of JSON Schema."""
    text = json.dumps(SCHEMA)
    for word in (
        "prefixItems",
        "$defs",
        "unevaluatedProperties",
        "dependentRequired",
        "$dynamicRef",
        "discriminator",
    ):
        assert f'"{word}"' not in text
    for node in nodes(SCHEMA):
        assert "$ref" not in node or set(node) == {"$ref"}, "draft-07 ignores what stands beside a $ref"


def nodes(value: Any) -> list[dict[str, Any]]:
    """Every object in the schema that is a schema itself or holds one."""
    if isinstance(value, list):
        return [node for item in value for node in nodes(item)]
    if not isinstance(value, dict):
        return []
    return [
        value,
        *(node for key, item in value.items() if key not in ("examples", "default") for node in nodes(item)),
    ]


@pytest.mark.parametrize(("name", "section"), SECTIONS)
def test_every_key_has_a_title_a_sentence_and_an_example(name: str, section: dict[str, Any]) -> None:
    for key, value in section.get("properties", {}).items():
        assert value["title"], (name, key)
        assert re.fullmatch(r"[A-Z].*\.", value["description"]), (name, key)
        assert value["examples"], (name, key)


@pytest.mark.parametrize(("name", "section"), SECTIONS)
def test_every_example_and_default_fits_its_own_key(name: str, section: dict[str, Any]) -> None:
    for key, value in section.get("properties", {}).items():
        judge = jsonschema.Draft7Validator({**value, "definitions": SCHEMA["definitions"]})
        for example in value["examples"]:
            assert not list(judge.iter_errors(example)), (name, key, example)
            assert data_of(read_source(flow_text({key: example})).root) == {key: example}
        if "default" in value:
            assert not list(judge.iter_errors(value["default"])), (name, key)


def test_the_schema_is_the_same_at_every_call_and_plain_json() -> None:
    assert json.dumps(machine_schema()) == json.dumps(SCHEMA)


def test_a_correct_file_fits() -> None:
    assert not list(VALIDATOR.iter_errors(data_of(read_source(YARD_GATE).root)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("scan: 20 ms", "scan: 20"),
        ("kind: travel", "kind: travl"),
        ("debounce: 40 ms", "debounc: 40 ms"),
        ("{after: 8 s, to: resting}", "{after: 8 s}"),
        ("faults: 1, exclude", "faults: 2, exclude"),
        ("  gate_open: {}", "  gate open: {}"),
        ("on: [motor_open]", "on: motor_open"),
        ("{never: motor_open and motor_shut}", "{}"),
    ],
)
def test_a_wrong_shape_is_refused_by_schema_and_reader_alike(old: str, new: str) -> None:
    text, _ = broken(old, new)
    assert list(VALIDATOR.iter_errors(data_of(read_source(text).root)))
    with pytest.raises(MachineFileError):
        read_machine_text(text)


def test_sections_refuse_unknown_keys_as_the_models_do() -> None:
    for name, section in SECTIONS:
        if section.get("type") == "object":
            assert section["additionalProperties"] is False, name
    assert set(SCHEMA["properties"]) == set(Machine.model_fields)


NAME_PATTERN = SCHEMA["properties"]["machine"]["pattern"]
TIME_PATTERN = SCHEMA["properties"]["scan"]["pattern"]
RANGE_PATTERN = SCHEMA["definitions"]["Spin"]["properties"]["runs_down"]["pattern"]


@given(st.from_regex(r"[A-Za-z0-9_]{1,12}", fullmatch=True) | st.text(max_size=8))
def test_the_pattern_of_names_refuses_no_name(text: str) -> None:
    try:
        parse_name(text)
    except TextError:
        return
    assert re.search(NAME_PATTERN, text)


times = st.from_regex(r"(\d{1,3}(\.\d)? ?(ms|s|min|h)|T#\d{1,2}(h|m|s|ms))", fullmatch=True)


@given(times, times)
def test_the_patterns_of_times_refuse_no_time(low: str, high: str) -> None:
    for pattern, parse, text in [
        (TIME_PATTERN, parse_duration, low),
        (RANGE_PATTERN, parse_duration_range, low),
        (RANGE_PATTERN, parse_duration_range, f"{low}..{high}"),
    ]:
        try:
            parse(text)
        except TextError:
            continue
        assert re.search(pattern, text)
