"""The JSON of a check: described by its published schema, and the same facts as the text."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from stillgate.reports.check.check_json import check_document
from stillgate.reports.exchange.schema_words import CHECK

from ...samples import full_result, holding, result, undecided


def documents() -> list[dict[str, Any]]:
    return [
        check_document(full_result(), "x.yaml"),
        check_document(result(holding()), "x.yaml"),
        check_document(result(undecided(), exhausted=False), "x.yaml"),
        check_document(result(), "x.yaml"),
    ]


@pytest.mark.parametrize("document", documents())
def test_a_document_fits_its_schema_after_a_round_trip(document: dict[str, Any]) -> None:
    jsonschema.Draft7Validator(CHECK).validate(json.loads(json.dumps(document)))


def test_the_schema_is_itself_a_draft_7_schema() -> None:
    """Source: the meta-schema of JSON Schema draft-07, as shipped with jsonschema."""
    jsonschema.Draft7Validator.check_schema(CHECK)


def test_every_field_of_the_schema_has_a_sentence() -> None:
    def walk(node: object) -> None:
        if isinstance(node, dict):
            if "type" in node or "anyOf" in node:
                described = node.get("description") or node == {"type": "null"}
                assert described, node
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(CHECK)


def test_an_unknown_field_is_refused_by_the_schema() -> None:
    document = check_document(result(holding()), "x.yaml") | {"surprise": 1}
    with pytest.raises(jsonschema.ValidationError, match="surprise"):
        jsonschema.Draft7Validator(CHECK).validate(document)


def test_requirements_carry_the_promised_names() -> None:
    for item in check_document(full_result(), "x.yaml")["requirements"]:
        assert {"name", "verdict", "tick", "hazard", "faults", "story"} <= item.keys()


def test_the_story_can_be_played_again() -> None:
    story = check_document(full_result(), "x.yaml")["requirements"][1]["story"]
    assert len(story["inputs"]) == story["ticks"] == 6
    assert story["inputs"][0] == {"open_button": 1, "edge_clear": 1}
